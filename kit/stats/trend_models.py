"""The eight curves a trend may follow: value, gradient, where to look for the best one, how to say it.

A model says which of its parameters are heights, which grow with y (twice the y, twice the A), and which give the
shape. So only the shape has to be searched, and `shapes` lists curves of every shape a model can take between
the two ends of the data, closely enough that the best one is always near. Nobody guesses a starting value.

To add a model: write its value and gradient as plain functions of (x, *parameters), name its heights and its shape
parameter, list its shapes, say where the shape parameter must stop (`regions`), and append a `Model` to `MODELS`. The
tests run through all of `MODELS`. An installed package can add one too (entry point `spin_down_kit.trend_models`): it
is offered after the kit's own and fitted where it is named.

A model is a plain function of x and its parameters: get_model("power law")(x, A=40, p=-0.9).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ..errors import KitError
from ..plugins import TREND_MODELS, added_names, find_added

__all__ = ["MODELS", "ByEnds", "Model", "Region", "by_ends", "get_model", "model_names"]

STEEPEST = 50.0  # a power or exponential changes at most e^50-fold over the data
LARGEST_EXPONENT = 300.0  # of e, anywhere in a formula: its square is still a floating-point number
NEAREST_POLE, FARTHEST_POLE = 1e-6, 1e4  # smallest x + x0 of the shifted inverse, in spans of x


class Region(NamedTuple):
    """Where a shape parameter may lie. At an open end A (and C) would run away to infinity.

    >>> import kit
    >>> kit.Region(0.0, 50.0, open_high=True).high
    50.0
    """

    low: float
    high: float
    open_low: bool = False
    open_high: bool = False


_FORMER_HEIGHTS, _FORMER_SHAPES = ("A", "B", "C"), ("x0", "p", "k")


@dataclass(frozen=True, eq=False, kw_only=True)
class Model:
    """One curve y = value(x, *parameters), with all that the search and the sentences need to know of it.

    Parameters
    ----------
    heights : names of the parameters that scale with y.
    shape : name of the parameter that gives the curve its shape, none or one.
    parameters : all names in the order of `value`; left out: the heights, then the shape.
    value, gradient : broadcast x against the parameters; the gradient is one array a parameter.
    shapes : (x, log) -> (parameters, shapes) or (parameters, shapes, curves of one shape) array, in order of
        shape, of any height (least squares finds it). Without `log` least squares also finds `offset`, so one
        curve a shape is enough.
    text : (x name, *numbers as text) -> right-hand side with values.
    regions : (x, gap) -> regions of the shape parameter. `gap` is the width left out around p = 0, where a power
        plus a constant turns into a logarithm with infinite A and C (in units of 1 / ln(x_max / x_min)).
    shape_floor : x -> what the shape parameter must lie above for the curve to have a value at x.
    offset : the height that is simply added, if there is one.
    steep : the first height is multiplied by e^(shape·g(x)): the two trade off by factors.
    at_ends : what it means that the shape parameter ran to the lower and to the upper end of its region.

    >>> import kit, numpy as np
    >>> half_life = kit.Model(
    ...     name="halving", formula="A·2^(−x/h)", statement="Every h more in x, y halves.",
    ...     heights=("A",), shape=("h",),
    ...     value=lambda x, a, h: a * 2 ** (-x / h),
    ...     gradient=lambda x, a, h: (2 ** (-x / h), a * 2 ** (-x / h) * np.log(2) * x / h**2),
    ...     shapes=lambda x, log: np.array([np.ones(40), np.geomspace(0.1, 10, 40) * np.max(x)]),
    ...     text=lambda x, a, h: f"{a} × 2^(−{x}/{h})",
    ... )
    >>> half_life.parameters, float(half_life(6.0, A=40, h=3))
    (('A', 'h'), 10.0)

    Raises
    ------
    KitError : names that do not match, or more than one shape parameter.
    """

    name: str
    formula: str
    statement: str
    heights: tuple[str, ...] = ()
    shape: tuple[str, ...] = ()
    parameters: tuple[str, ...] = ()
    value: Callable[..., np.ndarray]
    gradient: Callable[..., tuple]
    shapes: Callable[[np.ndarray, bool], np.ndarray]
    text: Callable[..., str]
    regions: Callable[[np.ndarray, float], tuple[Region, ...]] | None = None
    shape_floor: Callable[[np.ndarray], np.ndarray] | None = None
    offset: str | None = None
    needs_positive_x: bool = False
    steep: bool = False
    at_ends: tuple[str, str] | None = None

    def __post_init__(self) -> None:
        if not self.heights:
            self._take_former_names()
        if not self.parameters:
            object.__setattr__(self, "parameters", (*self.heights, *self.shape))
        if sorted(self.parameters) != sorted((*self.heights, *self.shape)) or len(self.shape) > 1:
            raise KitError(
                f"The parameters of the trend model '{self.name}' must be its heights and at most one shape parameter",
                found=f"heights {self.heights}, shape {self.shape}, parameters {self.parameters}",
                fix='state them, such as heights=("A",), shape=("q",)',
            )

    def _take_former_names(self) -> None:
        """A model made before heights and shape were stated: its names tell them apart."""
        heights = tuple(name for name in self.parameters if name in ("A", "B", "C"))
        shape = tuple(name for name in self.parameters if name in ("x0", "p", "k"))
        object.__setattr__(self, "heights", heights)
        object.__setattr__(self, "shape", self.shape or shape)
        if "A" in heights and shape in (("p",), ("k",)):
            object.__setattr__(self, "steep", True)

    def __call__(self, x, *parameters: float, **named: float) -> np.ndarray:
        """The curve at x (a number or an array), with its parameters in order or by name: model(x, A=40, p=-0.9).

        Raises
        ------
        KitError : a parameter is missing, unknown or given twice, or the curve has no value at some x.
        """
        given = dict(zip(self.parameters, parameters, strict=False))
        if len(parameters) > len(given) or given.keys() & named.keys() or {*given, *named} != {*self.parameters}:
            found = ", ".join([*map(str, parameters), *(f"{name}={value}" for name, value in named.items())])
            raise KitError(f"{self.formula} needs the parameters {', '.join(self.parameters)}", found=found)
        theta = [float({**given, **named}[name]) for name in self.parameters]
        x = np.asarray(x, float)
        if not np.all(self.defined_at(x, theta)):
            raise KitError(f"The curve {self.formula} has no value at every x given", found=x.tolist())
        return self.value(x, *theta)

    @property
    def shape_index(self) -> int | None:
        """Position of the shape parameter, if there is one."""
        return self.parameters.index(self.shape[0]) if self.shape else None

    @property
    def is_height(self) -> np.ndarray:
        """(parameters,) bool: which of them scale with y."""
        return np.array([name in self.heights for name in self.parameters])

    def is_linear(self, log: bool) -> bool:
        """Whether least squares on this scale are linear (in ln A, if logs are fitted)."""
        if log:
            return len(self.heights) == 1 and (self.steep or not self.shape)
        return not self.shape

    def defined_at(self, x, theta) -> np.ndarray:
        """Whether the curve has a value at x: an inverse or a power needs x > 0, A/(x + x0) needs x > -x0."""
        x = np.asarray(x, float)
        if self.shape_floor is not None:
            return theta[self.shape_index] > self.shape_floor(x)
        return x > 0 if self.needs_positive_x else np.isfinite(x)

    def not_applicable(self, x: np.ndarray) -> str | None:
        """Why this model cannot be fitted at these x, or None. It is never fitted to a part of them instead."""
        distinct = len(np.unique(x))
        if self.needs_positive_x and np.min(x) <= 0:
            return f"{self.formula} has no value at x = {np.min(x):g}: it needs every x above 0"
        if distinct < len(self.parameters):
            return f"it has {len(self.parameters)} parameters and needs as many conditions; there are {distinct}"
        return None


def model_names() -> tuple[str, ...]:
    """The names of all models: the kit's eight, then those that installed packages add. Loads none of these."""
    own = tuple(model.name for model in MODELS)
    return (*own, *(name for name in added_names(TREND_MODELS) if name not in own))


def get_model(name: str) -> Model:
    """The model of that name, of the kit's own or of an installed package; call it like a function of x.

    >>> import kit
    >>> power = kit.get_model("power law")
    >>> power.formula, power.parameters
    ('A·x^p', ('A', 'p'))
    >>> print(power(4.0, A=40, p=-0.5))
    20.0

    Raises
    ------
    KitError : there is no such model, or the package that adds it can't be loaded or gives something else.
    """
    for model in MODELS:
        if model.name == name:
            return model
    added = find_added(TREND_MODELS, name)
    if added is None:
        raise KitError("There is no such trend model", found=name, fix="Use one of: " + ", ".join(model_names()))
    if not isinstance(added.what, Model) or added.what.name != name:
        why = f"The package {added.package} adds the trend model '{name}', but gives something else"
        raise KitError(why, found=added.what, fix=f"it has to be a kit.stats.trend_models.Model with the name '{name}'")
    return added.what


# --- shapes: curves from 1 at the smallest x to e^r at the largest

# Log ratios r between the two ends, denser for gentle curves: lines up to e^±14, powers and exponentials e^±50.
_LOG_RATIOS = np.sinh(np.linspace(-2.0, 2.0, 64)) * (14 / np.sinh(2.0))
_STEEP_RATIOS = np.sinh(np.linspace(-3.0, 3.0, 60)) * (STEEPEST / np.sinh(3.0))


def _through_two_ends(g_first, g_last, log_ratio) -> tuple[np.ndarray, np.ndarray]:
    """Slope and constant of slope·g + constant with value 1 where g = g_first and e^log_ratio at g_last."""
    slope = np.expm1(log_ratio) / (g_last - g_first)
    return slope, 1 - slope * g_first


def _ends(x) -> tuple[float, float]:
    first, last = float(np.min(x)), float(np.max(x))
    return first, last if last > first else first + 1.0  # one condition only: the shape is free


def _constant_shapes(x, log):
    return np.ones((1, 1))


def _line_shapes(x, log):
    slope, constant = _through_two_ends(*_ends(x), _LOG_RATIOS if log else np.ones(1))
    return np.array([constant, slope])


def _inverse_plus_shapes(x, log):
    first, last = _ends(x)
    return np.array(_through_two_ends(1 / first, 1 / last, _LOG_RATIOS if log else np.ones(1)))


def _shifted_shapes(x, log):
    first, last = _ends(x)
    ratio = np.geomspace(1.2 / FARTHEST_POLE, np.log(1 / NEAREST_POLE), 48)
    pole = (last - first) / np.expm1(ratio)  # x + x0 at the smallest x
    return np.array([pole, pole - first])


def _power_regions(x, gap):
    first, last = _ends(x)
    furthest = max(abs(np.log(first)), abs(np.log(last)))
    limit = min(STEEPEST / np.log(last / first), LARGEST_EXPONENT / furthest)
    return (Region(-limit, limit),)


def _powers(x, steep_ratios):
    (region,), (first, last) = _power_regions(x, 0), _ends(x)
    return np.clip(steep_ratios / np.log(last / first), region.low, region.high)


def _power_shapes(x, log):
    p = _powers(x, _STEEP_RATIOS)
    return np.array([_ends(x)[0] ** -p, p])


def _power_plus_regions(x, gap):
    (region,), (first, last) = _power_regions(x, 0), _ends(x)
    if not gap:
        return (region,)
    edge = gap / np.log(last / first)
    return Region(region.low, -edge, open_high=True), Region(edge, region.high, open_low=True)


def _power_plus_shapes(x, log):
    first, last = _ends(x)
    p = _powers(x, _STEEP_RATIOS)
    ratio = _LOG_RATIOS if log else np.ones(1)
    p, ratio = np.meshgrid(p, ratio, indexing="ij")
    slope, constant = _through_two_ends(first**p, last**p, ratio)
    return np.array([slope, p, constant])


def _exponential_regions(x, gap):
    first, last = _ends(x)
    limit = min(STEEPEST / (last - first), LARGEST_EXPONENT / max(abs(first), abs(last)))
    return (Region(-limit, limit),)


def _exponential_shapes(x, log):
    (region,), (first, last) = _exponential_regions(x, 0), _ends(x)
    k = np.clip(_STEEP_RATIOS / (last - first), region.low, region.high)
    return np.array([np.exp(-k * first), k])


def _shifted_regions(x, gap):
    first, last = _ends(x)
    span = last - first
    return (Region(NEAREST_POLE * span - first, FARTHEST_POLE * span - first, open_high=True),)


# --- the models


def _power(x, p):
    return np.exp(p * np.log(x))  # several times faster than x**p on arrays


def _power_gradient(x, a, p):
    power = _power(x, p)
    return power, a * power * np.log(x)


def _exponential_gradient(x, a, k):
    growth = np.exp(k * x)
    return growth, a * x * growth


def _plus(number: str) -> str:
    """' + 3' or ' − 3' from '3' or '-3'."""
    return f" − {number[1:]}" if number.startswith(("-", "−")) else f" + {number}"


MODELS: tuple[Model, ...] = (
    Model(
        name="constant",
        formula="A",
        statement="Whatever x is, y stays the same.",
        heights=("A",),
        value=lambda x, a: a + 0 * x,
        gradient=lambda x, a: (np.ones_like(x + a),),
        shapes=_constant_shapes,
        text=lambda x, a: a,
    ),
    Model(
        name="straight line",
        formula="A + B·x",
        statement="Each step of one in x adds the same amount B to y.",
        heights=("A", "B"),
        value=lambda x, a, b: a + b * x,
        gradient=lambda x, a, b: (np.ones_like(x + a), x + 0 * a),
        shapes=_line_shapes,
        text=lambda x, a, b: f"{a}{_plus(b)}·{x}",
        offset="A",
    ),
    Model(
        name="inverse",
        formula="A/x",
        statement="Double x and y halves: x times y is always A.",
        heights=("A",),
        value=lambda x, a: a / x,
        gradient=lambda x, a: (1 / (x + 0 * a),),
        shapes=_constant_shapes,
        text=lambda x, a: f"{a} / {x}",
        needs_positive_x=True,
    ),
    Model(
        name="inverse plus constant",
        formula="A/x + C",
        statement="One part of y halves when x doubles; another part, C, stays whatever x is.",
        heights=("A", "C"),
        value=lambda x, a, c: a / x + c,
        gradient=lambda x, a, c: (1 / (x + 0 * a), np.ones_like(x + a)),
        shapes=_inverse_plus_shapes,
        text=lambda x, a, c: f"{a} / {x}{_plus(c)}",
        offset="C",
        needs_positive_x=True,
    ),
    Model(
        name="shifted inverse",
        formula="A/(x + x0)",
        statement="Like the inverse, but as if x₀ more were always there: double x + x₀ and y halves.",
        heights=("A",),
        shape=("x0",),
        value=lambda x, a, x0: a / (x + x0),
        gradient=lambda x, a, x0: (1 / (x + x0), -a / (x + x0) ** 2),
        shapes=_shifted_shapes,
        text=lambda x, a, x0: f"{a} / ({x}{_plus(x0)})",
        regions=_shifted_regions,
        shape_floor=lambda x: -x,
        at_ends=(
            "x0 ran up to the pole: the curve shoots up at the smallest x and says nothing about the rest.",
            "x0 ran off to very large values: these data ask for a level line, or for one that rises.",
        ),
    ),
    Model(
        name="power law",
        formula="A·x^p",
        statement="Double x and y is always multiplied by the same number, 2 to the power p.",
        heights=("A",),
        shape=("p",),
        value=lambda x, a, p: a * _power(x, p),
        gradient=_power_gradient,
        shapes=_power_shapes,
        text=lambda x, a, p: f"{a} × {x}^({p})",
        regions=_power_regions,
        steep=True,
        needs_positive_x=True,
    ),
    Model(
        name="power law plus constant",
        formula="A·x^p + C",
        statement="One part of y follows a power of x; another part, C, stays whatever x is.",
        heights=("A", "C"),
        shape=("p",),
        parameters=("A", "p", "C"),
        value=lambda x, a, p, c: a * _power(x, p) + c,
        gradient=lambda x, a, p, c: (*_power_gradient(x, a, p), np.ones_like(x + p)),
        shapes=_power_plus_shapes,
        text=lambda x, a, p, c: f"{a} × {x}^({p}){_plus(c)}",
        regions=_power_plus_regions,
        steep=True,
        offset="C",
        needs_positive_x=True,
    ),
    Model(
        name="exponential",
        formula="A·e^(k·x)",
        statement="Each step of one in x multiplies y by the same number, e to the power k.",
        heights=("A",),
        shape=("k",),
        value=lambda x, a, k: a * np.exp(k * x),
        gradient=_exponential_gradient,
        shapes=_exponential_shapes,
        text=lambda x, a, k: f"{a} × e^({k}·{x})",
        regions=_exponential_regions,
        steep=True,
    ),
)


# --- curves given by their ends


@dataclass(frozen=True, eq=False)
class ByEnds:
    """The same curve with its values at the smallest and largest x (their logs, if `log`) for parameters.

    Where two heights are added they trade off against each other, and against p, along a bent valley in which any
    search is slow; one of them runs through infinity at p = 0; and a curve to be logged may not fall below 0. None
    of this happens to the values at the ends. `model` has parameters (first, last) or (first, last, p).
    """

    model: Model
    to_natural: Callable[[np.ndarray], np.ndarray]
    from_natural: Callable[[np.ndarray], np.ndarray]


def by_ends(model: Model, x: np.ndarray, log: bool) -> ByEnds | None:
    """The model given by its ends, if that helps: wherever a constant is added and least squares are not linear.

    Worked out for two heights without a shape, and for a power law plus a constant.
    """
    if not model.offset or len(model.heights) != 2 or model.is_linear(log):
        return None
    if model.shape and model.name != "power law plus constant":
        return None
    first, last = _ends(x)
    basis, i_offset = model.gradient, model.parameters.index(model.offset)
    (i_slope,) = (i for i, name in enumerate(model.parameters) if name in model.heights and i != i_offset)

    def part_of_way(x, *shape):  # from 0 at the first x to 1 at the last
        if not shape:
            g, g_first, g_last = (basis(np.asarray(at), 1.0, 1.0)[i_slope] for at in (x, first, last))
            return (g - g_first) / (g_last - g_first), ()
        p = np.where(shape[0] == 0, 1e-12, shape[0])
        way, whole = np.log(x / first), np.log(last / first)
        e_way, e_whole = np.expm1(p * way), np.expm1(p * whole)
        bend = way * (1 + e_way) / e_whole - whole * (1 + e_whole) / e_whole * (e_way / e_whole)
        return e_way / e_whole, (np.where(np.abs(p) * whole < 1e-5, way * (way - whole) / (2 * whole), bend),)

    def value(x, a, b, *shape):
        a, b = (np.exp(a), np.exp(b)) if log else (a, b)
        return a + (b - a) * part_of_way(x, *shape)[0]

    def gradient(x, a, b, *shape):
        a, b = (np.exp(a), np.exp(b)) if log else (a, b)
        z, bends = part_of_way(x, *shape)
        return (1 - z) * (a if log else 1), z * (b if log else 1), *((b - a) * bend for bend in bends)

    def to_natural(q):
        a, b = (np.exp(q[:2])) if log else q[:2]
        p = [np.where(shape == 0, 1e-12, shape) for shape in q[2:]]
        others = [*p, 0.0] if p else [1.0]
        g_first, g_last = (basis(np.asarray(at), 1.0, *others)[i_slope] for at in (first, last))
        slope = (b - a) / (g_last - g_first)
        natural = np.empty_like(q)
        natural[i_slope], natural[i_offset] = slope, a - slope * g_first
        if p:
            natural[model.shape_index] = p[0]
        return natural

    def from_natural(theta):
        q = np.empty_like(theta)
        for row, end in enumerate((first, last)):
            at_end = model.value(np.asarray(end), *theta)
            q[row] = np.log(at_end) if log else at_end
        if model.shape_index is not None:
            q[2] = theta[model.shape_index]
        return q

    names = ("first", "last", *model.shape)
    search = replace(
        model, heights=names[:2], parameters=names, value=value, gradient=gradient, offset=None, steep=False
    )
    return ByEnds(search, to_natural, from_natural)
