"""How many tests run side by side, and that none of them fails for being slow."""

import os

from hypothesis import settings

settings.register_profile("leeway", deadline=None)
settings.load_profile("leeway")


def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: browsers, servers and commands of their own are waited for."""
    return (os.cpu_count() or 1) + 1
