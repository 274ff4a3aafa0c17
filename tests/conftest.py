"""For all tests: what hangs is bounded by pytest-timeout, so how long one example took is nobody's failure.

With CI=true property tests try the same examples each time, so that a change is judged by what it changes; without it
they try others each time, and what is found stands as an `@example` from then on.
"""

import os

from hypothesis import settings

settings.register_profile("benchd", deadline=None, derandomize=os.environ.get("CI") == "true")
settings.load_profile("benchd")
