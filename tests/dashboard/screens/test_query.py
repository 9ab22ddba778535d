"""The page of queries, run through the router: an address with a query answers it."""

from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from dashboard import asked
from dashboard.variables import STORE as STORE_VARIABLE
from pipelines.errors import QueryError
from pipelines.query.ask import BusyError

APP = Path(__file__).parents[3] / "dashboard" / "app.py"


@pytest.fixture
def page(monkeypatch, known_store) -> AppTest:
    monkeypatch.setenv(STORE_VARIABLE, str(known_store))
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page("screens/query.py")
    return app


def test_the_query_of_an_address_is_answered_with_rows_and_a_chart(page):
    page.query_params["sql"] = "SELECT vehicle_id, leeway_pct FROM vehicle_state WHERE leeway_pct > 40 ORDER BY ALL"
    page.run()
    assert not page.exception
    answer = page.dataframe[-1].value
    assert answer["leeway_pct"].to_list() == [61.0, 97.0]
    assert answer["vehicle_id"].to_list() == ["V2", "V3"]
    assert len(page.get("vega_lite_chart")) == 1
    assert any("2 rows" in each.value.replace("\u00a0", " ") for each in page.markdown)


def test_an_example_is_put_into_the_box_and_the_address(page, monkeypatch):
    monkeypatch.setattr(asked, "ask", lambda *_, **__: (_ for _ in ()).throw(QueryError("asked")))
    page.run()
    page.button(key="example 0").click().run()
    assert page.text_area(key="sql").value.startswith("SELECT depot, urgency")
    assert "".join(page.query_params["sql"]).startswith("SELECT depot, urgency")


def test_what_is_wrong_is_said_and_kept_but_a_busy_server_is_asked_again(page, monkeypatch):
    came = []

    def fails(*_, **__):
        came.append(1)
        raise [BusyError("2 other queries are running."), QueryError("*No* such table.")][min(len(came), 2) - 1]

    monkeypatch.setattr(asked, "ask", fails)
    page.query_params["sql"] = "FROM nowhere"
    assert "2 other queries" in page.run().error[0].value
    assert page.run().error[0].value == "\\*No\\* such table\\."
    page.run()
    assert len(came) == 2
