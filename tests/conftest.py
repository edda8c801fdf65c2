"""Settings all tests share."""

from hypothesis import settings

# no deadline: a shared machine may be slow at any moment, and no test here is about time
settings.register_profile("kit", deadline=None, max_examples=60, derandomize=True)
settings.load_profile("kit")
