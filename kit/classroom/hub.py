"""The class desk as a service of a school's hub: who asks is told by the hub, from the token that a session carries.

The hub answers `GET /user` for a token with whose it is and what it may do (its REST API); a desk takes hand-ins from
tokens that may reach this service. So no account's name is needed in a hand-in, and none is kept.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from tornado.httpclient import AsyncHTTPClient, HTTPClientError

__all__ = ["Hub", "hub_of"]

WAIT_S = 5.0
MAX_ANSWER = 1_000_000


@dataclass(frozen=True)
class Hub:
    """The hub that started this desk."""

    api_url: str
    prefix: str  # of the desk's addresses, with a slash at both ends
    service: str  # the desk's name there
    bind: str  # where the hub's proxy expects the desk, http://HOST:PORT

    @property
    def host(self) -> str:
        """Where to listen."""
        return urlsplit(self.bind).hostname or "127.0.0.1"

    @property
    def port(self) -> int:
        """On which port."""
        return urlsplit(self.bind).port or 0

    async def who(self, token: str) -> str:
        """Whose token it is, if it may reach this desk; empty if not.

        Raises
        ------
        OSError : the hub does not answer.
        """
        if not token or not token.isascii() or len(token) > 300:
            return ""
        client = AsyncHTTPClient(force_instance=True, max_body_size=MAX_ANSWER)
        try:
            answer = await client.fetch(
                f"{self.api_url.rstrip('/')}/user",
                headers={"Authorization": f"token {token}"},
                request_timeout=WAIT_S,
                connect_timeout=WAIT_S,
                follow_redirects=False,
            )
            found = json.loads(answer.body)
        except HTTPClientError as problem:
            if problem.code in (401, 403, 404):
                return ""
            raise OSError("the hub does not answer") from None
        except ValueError:
            raise OSError("the hub does not answer as it should") from None
        finally:
            client.close()
        if not isinstance(found, dict) or not isinstance(found.get("name"), str):
            return ""
        allowed = {"access:services", f"access:services!service={self.service}"}
        scopes = found.get("scopes")
        return found["name"] if isinstance(scopes, list) and allowed & {s for s in scopes if isinstance(s, str)} else ""


def hub_of(environment: Mapping[str, str] = os.environ) -> Hub | None:
    """The hub, if this process is one of its services; None elsewhere, and in a student's session."""
    names = ("JUPYTERHUB_API_URL", "JUPYTERHUB_SERVICE_PREFIX", "JUPYTERHUB_SERVICE_NAME", "JUPYTERHUB_SERVICE_URL")
    api_url, prefix, service, bind = (environment.get(name, "") for name in names)
    if not (api_url and service and bind and prefix.startswith("/services/")):
        return None
    return Hub(api_url, f"/{prefix.strip('/')}/", service, bind)
