"""How many tests run side by side."""

import os


def pytest_xdist_auto_num_workers() -> int:
    """One more than there are cores: browsers, servers and commands of their own are waited for."""
    return (os.cpu_count() or 1) + 1
