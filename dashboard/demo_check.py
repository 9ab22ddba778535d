"""Checks the forecast of a demo fleet on the past while its pages are shown: `python -m` with the store's folder."""

import sys
from pathlib import Path

from dashboard.demo import check_forecast
from pipelines.store.folder import Store

if __name__ == "__main__":
    check_forecast(Store(Path(sys.argv[1])), say=lambda _: None)
