"""A fleet whose every text is an attack: on no page, in no file and on no terminal is any of it more than text."""

import importlib.util
import io
import json
import re
import zipfile
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner
from pypdf import PdfReader
from streamlit.testing.v1 import AppTest

from dashboard import files, published
from dashboard.command import leeway
from dashboard.variables import STORE as STORE_VARIABLE
from dashboard.views.address import PAGES
from pipelines.handover import Analysis
from pipelines.intake.load import load
from pipelines.store.exporting import FORMULA, NUMBER
from pipelines.store.folder import Store
from pipelines.store.publish import publish, publish_tables
from pipelines.store.published import published_names

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
NAMES = {  # what stands in the known fleet -> what stands there now
    "V1": "![i](http://evil.example/v.png)",
    "V2": "www.evil.example",
    "V3": '=HYPERLINK("http://evil.example")',
    "V4": "<img src=//evil.example/i.png>",
    "Saltings": ":red[Saltings] :material/check:",
    "Millrace": "[Millrace](http://evil.example/d)",
    "Rowan 2.0": "$x^2$ **Rowan**",
    "Alder 1.6": "@alder a@evil.example",
}
TEXT = (
    "=1+1 ![i](http://evil.example/t.png) <http://evil.example> www.evil.example/t a@evil.example :tada: "
    "<img src='http://evil.example/u.png'> <script>alert(1)</script> :red[x] `c` $x^2$ **b** [a](//evil.example) "
    "\x1b[31m\u202e"
)
FREE = ("jobs", "reason", "evidence", "basis", "title", "likely_code")  # columns of published tables that are text
FILE = "snapshots-[x](javascript:alert(1)) www.evil.example :tada: $x$"
MARKUP = re.compile(  # what is left of an attack that was not escaped
    r"https?://|www\.|\]\(|!\[|(?<!\\)<[a-z/]|(?<!\\):(red|tada|material)|(?<!\\)\$x|\*\*(b|Rowan)\*\*|a@evil|\x1b|\u202e",
    re.IGNORECASE,
)
WORDS = (
    "title",
    "header",
    "subheader",
    "markdown",
    "caption",
    "info",
    "warning",
    "error",
    "success",
    "expander",
    "button",
)


WITHOUT_DATA = {"trust", "explain", "begin", "runs"}  # pages that show no text of a fleet
ASKED = {"query": {"sql": "FROM work_plan"}, "before_after": {"kind": "work on a part"}}  # so that there is an answer


def poisoned(frame: pl.DataFrame) -> pl.DataFrame:
    free = [name for name in FREE if name in frame.columns]
    return frame.with_columns(pl.col(pl.String).replace(NAMES)).with_columns(pl.col(free) + pl.lit(f" {TEXT}"))


def poisoned_drop(drop: Path) -> Path:
    """The known drop with other names, work with notes, a catalogue with titles and units, and a file named so."""
    for file in sorted(drop.glob("*.csv")):
        poisoned(pl.read_csv(file.read_bytes(), infer_schema=False)).write_csv(file)
    work = pl.read_csv((drop / "work.csv").read_bytes(), infer_schema=False)
    said = ("part_number", "part_batch", "workshop", "technician", "complaint", "note")
    work.with_columns(pl.lit(TEXT).alias(name) for name in said).write_csv(drop / "work.csv")
    about = ["fleet", NAMES["V1"]]
    at = ["2031-04-01T12:00:00Z"] * 2
    pl.DataFrame({"at": at, "about": about, "text": [TEXT] * 2}).write_csv(drop / "notes.csv")
    known = pl.DataFrame({"code": ["ltft_b1_idle", "iac_neutral"], "title": [f"Idle {TEXT}", f"Air {TEXT}"]})
    known.with_columns(
        unit=pl.lit("[u](http://evil.example)"), low_limit=pl.lit(-20), high_limit=pl.lit(80), neutral=pl.lit(0),
        rising_means=pl.lit(TEXT), falling_means=pl.lit(TEXT), component=pl.lit("idle_valve"), fault_high=pl.lit("P1"),
    ).write_csv(drop / "corrections.csv")  # fmt: skip
    (drop / "snapshots.csv").rename(drop / f"{FILE}.csv")
    return drop


@pytest.fixture(scope="module")
def poisoned_store(tmp_path_factory, known_drop, known_analysis) -> Store:
    place = tmp_path_factory.mktemp("poisoned")
    store = Store(place / "store")
    load(store, [poisoned_drop(known_drop(place / "2031-05 ![d](http:evil)"))])
    known = known_analysis()
    tables = {name: poisoned(frame) for name, frame in known.tables.items()}
    plan = tables.pop("work_plan")
    publish(store, Analysis(as_of=known.as_of, tables=tables))
    publish_tables(store, {"work_plan": plan}, known.as_of)
    return store


def opened(monkeypatch, store: Store, page: str, **selected: str) -> AppTest:
    monkeypatch.setenv(STORE_VARIABLE, str(store.path))
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page(f"screens/{page}.py")
    for name, value in selected.items():
        app.query_params[name] = value
    app.run()
    assert not app.exception, [error.message for error in app.exception]
    return app


def words_of(app: AppTest) -> list[str]:
    """Everything on a page that is read as Markdown."""
    said = [getattr(each, "value", None) or each.label for kind in WORDS for each in app.get(kind)]
    said += [each.proto.label for each in app.get("download_button")]
    return said + [str(cell) for table in app.table for row in table.value.to_numpy() for cell in row]


@pytest.mark.parametrize("page", PAGES)
def test_no_page_reads_data_as_markup_no_table_holds_a_formula_and_all_can_be_saved(monkeypatch, poisoned_store, page):
    vehicles = [NAMES[name] for name in ("V1", "V2", "V4")] if page in {"vehicle", "bay"} else [""]
    for vehicle in vehicles:
        selected = {"vehicle": vehicle} if vehicle else ASKED.get(page, {})
        app = opened(monkeypatch, poisoned_store, page, **selected)
        said = words_of(app)
        assert not [text for text in said if MARKUP.search(text)]
        tables = [table.value for table in app.dataframe]
        cells = [str(cell) for table in tables for cell in (*table.columns, *table.to_numpy().ravel())]
        assert not [cell for cell in cells if re.match(FORMULA, cell) and not re.match(NUMBER, cell)]
        assert not [cell for cell in cells if "\x1b" in cell]
        saved = [each.proto.label for each in app.get("download_button")]
        shown = {"table": len(app.dataframe) + len(app.table), "chart": len(app.get("vega_lite_chart"))}
        for what, ending in (("table", "CSV"), ("table", "Parquet"), ("chart", "PNG"), ("chart", "SVG")):
            assert saved.count(f"Save {what} as {ending}") == shown[what]
        if page not in WITHOUT_DATA:
            assert "evil" in "".join(said + cells)
        charts = [json.loads(chart.proto.spec) for chart in app.get("vega_lite_chart")]
        assert not re.search(r'"(href|url|image)":', json.dumps(charts))


def texts_of(file: Path) -> list[str]:
    """Cells and headers of a file that a spreadsheet opens; the parts of a workbook hold no link and no formula."""
    if file.suffix == ".csv":
        frame = pl.read_csv(file.read_bytes(), infer_schema=False)
        return [*frame.columns, *(cell for row in frame.rows() for cell in row if cell)]
    with zipfile.ZipFile(io.BytesIO(file.read_bytes())) as book:
        parts = {name: book.read(name).decode() for name in book.namelist()}
    assert not [name for name, part in parts.items() if re.search(r"<f>|<hyperlink|relationships/hyperlink", part)]
    return []


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_no_file_that_is_written_holds_a_formula_or_a_link(poisoned_store, tmp_path, ending):
    store = ["--store", str(poisoned_store.path)]
    for name in published_names(poisoned_store):
        target = tmp_path / f"{name}.{ending}"
        result = CliRunner().invoke(leeway, ["export", name, "--to", str(target), *store])
        assert result.exit_code == 0, result.output
    mended = ["store", "quarantine", "export", "--to", str(tmp_path / "mend"), "--format", ending, *store]
    assert CliRunner().invoke(leeway, mended).exit_code == 0
    files = [*tmp_path.glob(f"*.{ending}"), *(tmp_path / "mend").glob(f"*.{ending}")]
    assert len(files) > len(published_names(poisoned_store))
    texts = [text for file in files for text in texts_of(file)]
    assert not [text for text in texts if re.match(FORMULA, text) and not re.match(NUMBER, text)]
    assert not [text for text in texts if "\x1b" in text]


def test_downloads_of_the_pages_go_the_same_way(monkeypatch, poisoned_store):
    monkeypatch.setenv(STORE_VARIABLE, str(poisoned_store.path))
    [as_of] = published.kept_as_ofs()
    plan = published.table("work_plan", as_of)
    assert b"\n=" not in files.as_csv(plan)
    assert b",=" not in files.as_csv(plan)
    with zipfile.ZipFile(io.BytesIO(files.as_workbook(plan, "work plan"))) as book:
        assert b"<f>" not in book.read("xl/worksheets/sheet1.xml")


def test_no_command_lets_data_steer_the_terminal(tmp_path, known_drop):
    again = poisoned_drop(known_drop(tmp_path / "2031-06"))
    (again / "faults.csv").write_text(f"vehicle_id,read_at,code\n{NAMES['V2']},\x1b[31mnow\u202e,P0171\n")
    told = "".join(
        CliRunner().invoke(leeway, [*words, "--store", str(tmp_path / "store")]).output
        for words in (["load", str(again), "--verbose"], ["store", "check"], ["export", "no\x1b[1m"])
    )
    assert "evil.example" in told
    assert r"\x1b[31mnow\u202e" in told
    assert not {"\x1b", "\u202e"} & set(told)


spec = importlib.util.spec_from_file_location("dashboard_browser", Path(__file__).with_name("browser.py"))
assert spec is not None
assert spec.loader is not None
tools = importlib.util.module_from_spec(spec)
spec.loader.exec_module(tools)
READ_BY = "unit=miles&degrees=Fahrenheit&dates=year+first&zone=Pacific/Auckland"
MONTHS = "January|February|March|April|May|June|July|August|September|October|November|December"
OTHER_FORM = re.compile(rf"\b\d{{1,2}}[ \u00a0](?:{MONTHS})\b|\d[ \u00a0](?:km|°C)\b")


def heard(message, troubles: list[str]) -> None:
    """Errors of the console, but for Streamlit's own search for its base address below the page's path."""
    if message.type == "error" and "/_stcore/" not in message.location["url"]:
        troubles.append(f"http: {message.text}")


LIVE = """() => [...document.querySelectorAll("a[href], img[src], iframe, object, embed, form, script[src]")]
    .map(each => each.href || each.src || each.action || each.tagName)
    .filter(place => /evil|javascript:|mailto:/.test(place) && !place.startsWith(location.origin))"""
DRAWN = "() => document.querySelectorAll('[data-testid=stMain] .katex, [data-testid=stMain] script').length"

if tools.CHROMIUM:  # without a browser on the machine there is nothing to collect

    def test_in_a_browser_nothing_of_data_works_nobody_is_kept_out_and_every_screen_and_paper_holds_the_page(
        poisoned_store,
    ):
        with tools.served(poisoned_store.path) as address, tools.browser() as running:
            page = running.new_page(viewport={"width": 1440, "height": 900})
            asked: list[str] = []
            wrong: dict[str, list[str]] = {}
            page.on("request", lambda request: asked.append(request.url))
            page.on("console", lambda message: heard(message, asked))
            page.set_default_timeout(tools.PATIENCE_MS)
            said = ""
            for place in ("", "vehicle", *(name for name in PAGES if name not in {"today", "vehicle"})):
                page.goto(f"{address}/{place}?{READ_BY}")
                tools.settle(page)
                text = page.locator("[data-testid=stMain]").inner_text()
                said += text
                assert page.evaluate(LIVE) == [], place
                assert page.evaluate(DRAWN) == 0, place
                wrong[place] = [
                    *tools.hindrances(page), *tools.too_narrow(page), *tools.cut_on_paper(page),
                    *OTHER_FORM.findall(text),
                ]  # fmt: skip
            assert "\n".join(f"{place}: {trouble}" for place, troubles in wrong.items() for trouble in troubles) == ""
            assert not [url for url in asked if url.startswith(("http", "ws")) and not url.startswith(address)]
            assert not [url for url in asked if re.search(r"/[ituv]\.png", url)]
        shown = said.replace("\N{WORD JOINER}", "")
        assert f"Vehicle {NAMES['V1']}" in shown
        assert "www.evil.example/t a@evil.example :tada: <img src='http://evil.example/u.png'>" in shown
        assert "\\!" not in shown
        assert "2031-05-21, 00:00 (Pacific/Auckland)" in said

    def test_paper_has_the_last_row_and_column_of_a_table_that_scrolls_on_the_screen(poisoned_store):
        pages = {
            "query?sql=SELECT+n,+'row'||n+AS+last_column+FROM+range(60)+AS+r(n)": ["row0", "row59"],
            "vehicle?print=yes&vehicle=V": [],
        }
        with tools.served(poisoned_store.path) as address, tools.browser() as running:
            page = running.new_page(viewport={"width": 1440, "height": 900})
            page.set_default_timeout(tools.PATIENCE_MS)
            for place, words in pages.items():
                page.goto(f"{address}/{place}")
                tools.settle(page)
                printed = PdfReader(io.BytesIO(page.pdf(format="A4", landscape=True)))
                text = "".join(sheet.extract_text() for sheet in printed.pages)
                assert not [word for word in words if word not in text], text
