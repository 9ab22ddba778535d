"""`leeway serve`: the pages of `app.py` for this machine, without telemetry, in the theme of `theme.toml`."""

import os
import re
import resource
import sys
import threading
import tomllib
import webbrowser
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from importlib.resources import files
from typing import Any, TypeVar
from urllib.parse import urlsplit

import click
from click.core import ParameterSource

from dashboard import variables
from dashboard.child import begin
from dashboard.hosts import Hosts, is_every_address, is_number, is_this_machine
from dashboard.warm import warm
from pipelines.command_options import store_option
from pipelines.settings_file import ServiceSettings, settings_of
from pipelines.store.folder import Store
from pipelines.terminal import say

# No telemetry, no e-mail prompt, no developer menu, no traceback on the page, no watching of source files, no words of
# Streamlit's own at the start: to say where it answers, it asks a service outside for this machine's address.
QUIET = {
    "browser.gatherUsageStats": False,
    "server.showEmailPrompt": False,
    "server.headless": True,
    "client.toolbarMode": "minimal",
    "client.showErrorDetails": "none",
    "client.showErrorLinks": False,
    "server.fileWatcherType": "none",
    "logger.hideWelcomeMessage": True,
}
# Fields of the door by the names of the settings.
MOST_FILES = 65536  # that the process may have open: room for twenty thousand sessions at three each
OF_SETTINGS = {"address": "address", "port": "port", "allow_hosts": "allowed", "open_to_everyone": "to_everyone"}
HOST_NAME = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?")
Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True, kw_only=True)
class Door:
    """Where the dashboard answers, and to whom.

    Attributes:
        address: Network address or name to answer on.
        port: Port to answer on.
        allowed: Names that it answers to beside this machine's own.
        to_everyone: Whether it may answer others than this machine without asking who they are.
        signs_in: Whether it asks who they are.
        open_browser: Whether a browser is opened on it.

    Raises:
        click.UsageError: no address, or one that others reach without its being said that they may.
    """

    address: str = "127.0.0.1"
    port: int = 8501
    allowed: tuple[str, ...] = ()
    to_everyone: bool = False
    signs_in: bool = False
    open_browser: bool = False

    def __post_init__(self) -> None:
        for option, name in (("--address", self.address), *(("--allow-host", name) for name in self.allowed)):
            if not is_number(name) and not HOST_NAME.fullmatch(name):
                raise click.UsageError(f"{option} '{name}': neither a network address nor a name. Leave it out.")
        if not (self.to_everyone or self.signs_in or is_this_machine(self.address)):
            raise click.UsageError(
                f"--address {self.address}: others than this machine could open the dashboard, read all of the fleet "
                "and hand files to it, and nothing asks who they are. Set up sign-in (leeway explain settings, section "
                "sign_in), or, if that is meant: --open-to-everyone"
            )

    @property
    def url(self) -> str:
        """Where a browser on this machine finds it."""
        host = "localhost" if is_every_address(self.address) else self.address
        return f"http://{f'[{host}]' if ':' in host else host}:{self.port}"

    def warning(self) -> str:
        """What must be said of a door that others reach; empty for one that they don't."""
        if self.signs_in or is_this_machine(self.address):
            return ""
        return (
            f"Open to everyone: whoever reaches port {self.port} of this machine on {self.address} can read all of the "
            "fleet and hand files to it; nothing asks who they are, and what goes over the network can be read there."
        )


def door_options(command: Command) -> Command:
    """The options that `Door` is made of, by the names of its fields."""
    for option in reversed(
        (
            click.option(
                "--address",
                default=Door.address,
                show_default=True,
                help="Network address to answer on. The default lets nobody but this machine in.",
            ),
            click.option(
                "--port", default=Door.port, show_default=True, type=click.IntRange(1, 65535), help="Port to answer on."
            ),
            click.option(
                "--allow-host",
                "allowed",
                multiple=True,
                metavar="NAME",
                help="Name under which the dashboard may be opened, beside this machine's own; may be given again.",
            ),
            click.option(
                "--open-to-everyone",
                "to_everyone",
                is_flag=True,
                help="Let others than this machine in, whoever they are; with --address.",
            ),
            click.option(
                "--open/--no-browser",
                "open_browser",
                default=True,
                show_default=True,
                help="Open a browser on the dashboard.",
            ),
        )
    ):
        command = option(command)
    return command


@click.command()
@store_option
@door_options
def serve(store: Store, **door: Any) -> None:
    """Show the dashboard of a store until Ctrl-C.

    The store may be loaded, analysed and planned while it is shown: pages follow at the reader's next click. What no
    option says stands as it is set: leeway explain settings, section serve.
    """
    source = click.get_current_context().get_parameter_source
    settings = settings_of(store.path)
    set_here = {field: getattr(settings.serve, name) for name, field in OF_SETTINGS.items()}
    said = {name: value for name, value in door.items() if source(name) != ParameterSource.DEFAULT}
    signs_in = bool(settings.sign_in.provider)
    run_dashboard(store, Door(**{**door, **set_here, **said, "signs_in": signs_in}), settings)


def run_dashboard(store: Store, door: Door, settings: ServiceSettings | None = None) -> None:
    """Serve the pages in this process until it is told to stop.

    Args:
        store: To be shown.
        door: Where, and to whom.
        settings: What is set for it; None: nothing is.

    Raises:
        SettingError: sign-in is set up by halves.
    """
    from starlette.middleware import Middleware  # noqa: PLC0415 - half a second that other commands spare
    from streamlit.starlette import App  # noqa: PLC0415

    from dashboard.gate import Gate  # noqa: PLC0415
    from dashboard.headers import Headers  # noqa: PLC0415
    from dashboard.provider import secrets_of  # noqa: PLC0415
    from dashboard.watched import routes  # noqa: PLC0415

    settings = settings or ServiceSettings()
    secrets = secrets_of(settings.sign_in, store.path) if door.signs_in else {}
    os.environ[variables.STORE] = str(store.path.absolute())
    os.environ[variables.SIGN_IN] = "yes" if door.signs_in else ""
    open_more_files()
    if warning := door.warning():
        say(f"leeway: {warning}", err=True)
    say(f"Dashboard: {settings.sign_in.address if door.signs_in else door.url} (Ctrl-C ends it)")

    @asynccontextmanager
    async def started(_: App) -> AsyncIterator[None]:
        if door.open_browser and _has_screen():
            threading.Thread(target=webbrowser.open, args=(door.url,), daemon=True).start()
        yield

    threading.Thread(target=warm, args=(store,), daemon=True).start()
    public = urlsplit(settings.sign_in.address) if door.signs_in else None
    names = (*door.allowed, *([public.hostname] if public and public.hostname else []))
    app = App(
        str(files("dashboard").joinpath("app.py")),
        secrets=secrets,
        routes=routes(store, settings.serve.watchers),
        middleware=[
            Middleware(Headers, secure=bool(public and public.scheme == "https")),
            Middleware(Gate, hosts=Hosts.of(door.address, names)),
        ],
        lifespan=started,
    )
    with tending(store, settings.serve.tend_every_minutes):
        app.run(config=QUIET | theme_options() | {"server.address": door.address, "server.port": door.port})


@contextmanager
def tending(store: Store, every_minutes: float) -> Iterator[None]:
    """Tend the store in a process beside this one, for as long as the block lasts; 0: somebody else does."""
    if not every_minutes:
        yield
        return
    beside = begin(["tend", "--every", str(every_minutes), "--store", str(store.path)], hears=False)
    try:
        yield
    finally:
        beside.terminate()
        beside.wait()


def open_more_files() -> None:
    """Raise what this process may open as far as the system lets it: each session keeps some files open."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = MOST_FILES if hard == resource.RLIM_INFINITY else min(hard, MOST_FILES)
    if soft < most:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))


def _has_screen() -> bool:
    """Whether a browser can be seen here: where it can't, one in the terminal would come up instead."""
    return sys.platform in {"win32", "darwin"} or bool({"DISPLAY", "WAYLAND_DISPLAY"} & os.environ.keys())


def theme_options() -> dict[str, Any]:
    """The theme of `theme.toml` as Streamlit's options."""
    theme = tomllib.loads(files("dashboard").joinpath("theme.toml").read_text(encoding="utf-8"))["theme"]
    flat: dict[str, Any] = {}
    for name, value in theme.items():
        nested = value if isinstance(value, dict) else {"": value}
        flat |= {".".join(part for part in ("theme", name, key) if part): each for key, each in nested.items()}
    return flat
