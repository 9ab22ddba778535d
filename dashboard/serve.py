"""`leeway serve`: the pages of `app.py` on this machine, without telemetry, in the theme of `theme.toml`."""

import json
import os
import threading
import tomllib
from contextlib import suppress
from importlib.resources import files

import click

from pipelines.command_options import store_option
from pipelines.errors import LeewayError
from pipelines.store.folder import Store

STORE_VARIABLE = "LEEWAY_STORE"
# No telemetry, no e-mail prompt, no developer menu, no traceback on the page, no watching of source files.
QUIET = {
    "browser.gatherUsageStats": "false",
    "server.showEmailPrompt": "false",
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "client.showErrorLinks": "false",
    "server.fileWatcherType": "none",
}

address_option = click.option(
    "--address",
    default="127.0.0.1",
    show_default=True,
    help="Network address to answer on. The default lets nobody but this machine in.",
)
port_option = click.option(
    "--port", default=8501, show_default=True, type=click.IntRange(1, 65535), help="Port to answer on."
)
browser_option = click.option(
    "--open/--no-browser", "open_browser", default=True, show_default=True, help="Open a browser on the dashboard."
)


@click.command()
@store_option
@address_option
@port_option
@browser_option
def serve(store: Store, address: str, port: int, open_browser: bool) -> None:
    """Show the dashboard of a store until Ctrl-C.

    The store may be loaded, analysed and planned while it is shown: pages follow at the reader's next click.
    """
    run_dashboard(store, address=address, port=port, open_browser=open_browser)


def run_dashboard(store: Store, *, address: str, port: int, open_browser: bool) -> None:
    """Serve the pages in this process until it is told to stop."""
    from streamlit.web.cli import main as streamlit_command  # noqa: PLC0415 - half a second that other commands spare

    os.environ[STORE_VARIABLE] = str(store.path.absolute())
    where = {"server.address": address, "server.port": str(port), "server.headless": str(not open_browser).lower()}
    options = [f"--{name}={value}" for name, value in (QUIET | theme_options() | where).items()]
    app = str(files("dashboard").joinpath("app.py"))
    threading.Thread(target=_warm, args=(store,), daemon=True).start()
    streamlit_command(args=["run", app, *options], prog_name="leeway", standalone_mode=False)


def _warm(store: Store) -> None:
    """Reason once about one vehicle, so that no reader waits for the compiled kernels of that page to load."""
    from dashboard.reasoning import KEPT, paths  # noqa: PLC0415 - what is to be loaded here
    from pipelines.store.evidence import read_evidence  # noqa: PLC0415
    from pipelines.store.published import kept_as_ofs, read_published  # noqa: PLC0415

    with suppress(LeewayError):  # the pages say what is the matter with a store
        states = kept_as_ofs(store, KEPT[0])
        if states:
            first = read_published(store, "vehicle_state", as_of=states[-1]).get_column("vehicle_id").head(1).to_list()
            kept = {name: read_published(store, name, as_of=states[-1]) for name in KEPT}
            paths(read_evidence(store, as_of=states[-1], vehicle_ids=first), kept)


def _option(value: object) -> str:
    return json.dumps(value) if isinstance(value, list) else str(value)


def theme_options() -> dict[str, str]:
    """The theme of `theme.toml` as Streamlit's options."""
    theme = tomllib.loads(files("dashboard").joinpath("theme.toml").read_text(encoding="utf-8"))["theme"]
    flat: dict[str, str] = {}
    for name, value in theme.items():
        nested = value if isinstance(value, dict) else {"": value}
        flat |= {".".join(part for part in ("theme", name, key) if part): _option(each) for key, each in nested.items()}
    return flat
