"""For all tests: what hangs is bounded by pytest-timeout, so how long one example took is nobody's failure."""

from hypothesis import settings

settings.register_profile("benchd", deadline=None)
settings.load_profile("benchd")
