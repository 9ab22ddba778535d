"""What a server does once at its start, so that no reader waits for it: loads what pages need, and sets it apart."""

import gc
import pkgutil
from contextlib import suppress
from importlib import import_module

from pipelines.errors import LeewayError
from pipelines.store.folder import Store

LOADED = ("dashboard.views", "dashboard.charts")  # all their modules, and with them what those rest on


def warm(store: Store) -> None:
    """Load the pages' modules, reason once about one vehicle for the compiled kernels, and set all of it apart."""
    for package in LOADED:
        for module in pkgutil.iter_modules(import_module(package).__path__, f"{package}."):
            import_module(module.name)
    try:
        _reason_once(store)
    except RuntimeError as error:
        if "interpreter shutdown" not in str(error):
            raise
        return  # the server was ended meanwhile, and starts no more threads
    set_apart()


def set_apart() -> None:
    """Leave what is loaded now out of the search for garbage, which else stops a page for 0.15 s now and then."""
    gc.collect()
    gc.freeze()


def _reason_once(store: Store) -> None:
    from dashboard.reasoning import KEPT, paths  # noqa: PLC0415 - what is to be loaded here
    from pipelines.store.evidence import read_evidence  # noqa: PLC0415
    from pipelines.store.published import kept_as_ofs, read_published  # noqa: PLC0415

    with suppress(LeewayError):  # the pages say what is the matter with a store
        states = kept_as_ofs(store, KEPT[0])
        if states:
            first = read_published(store, "vehicle_state", as_of=states[-1]).get_column("vehicle_id").head(1).to_list()
            kept = {name: read_published(store, name, as_of=states[-1]) for name in KEPT}
            paths(read_evidence(store, as_of=states[-1], vehicle_ids=first), kept)
