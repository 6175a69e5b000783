"""For all tests: hypothesis tries the same examples on every machine; a rare one fails nobody."""

from hypothesis import settings

settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")
