"""Parts worked on elsewhere: the tables are the same, a dead worker costs time alone, and trouble is one line."""

import os
import signal
import socket

import pytest
from click.testing import CliRunner
from polars.testing import assert_frame_equal

from pipelines.analyse_command import _alone, analyse
from pipelines.command import backtest
from pipelines.errors import LeewayError
from pipelines.parts import spread
from pipelines.parts.readings import InStore
from pipelines.parts.work import Plan
from pipelines.settings import Settings
from pipelines.store.folder import Store

from .conftest import CELLS, tables_in_parts


@pytest.fixture(scope="module")
def asked(store, fleet, tmp_path_factory):
    evidence = fleet.evidence
    source = InStore(path=store.path, as_of=evidence.as_of, known_at=None, judged=fleet.judged)

    def ask(runner, progress=lambda _words: None):
        plan = Plan.of(evidence, fleet.shown, source, settings=Settings(), most_cells=CELLS)
        return tables_in_parts(plan, runner, tmp_path_factory.mktemp("room") / "parts", progress)

    return ask


def same(found, expected):
    assert list(found) == list(expected)
    for name, frame in found.items():
        assert_frame_equal(frame, expected[name], rel_tol=1e-9, abs_tol=1e-9)


def test_tables_are_the_same_here_on_a_worker_that_dies_and_on_a_cluster(store, asked, here, told, one_worker):
    assert {"bands and drift", "forecast"} <= set(told)
    assert here["held_cell"].height
    assert here["correction_state"]["alarm"].any()
    workers = one_worker.client.run(os.getpid)

    def kill(words):
        if words.startswith("part 2"):
            os.kill(next(iter(workers.values())), signal.SIGKILL)

    same(asked(one_worker, progress=kill), here)
    one_worker.client.wait_for_workers(1, timeout=30)
    with spread.at(one_worker.client.scheduler.address, store, lambda _line: None) as cluster:
        same(asked(cluster), here)


def test_a_cluster_that_differs_or_does_not_see_the_store_is_named_before_work(
    store, tmp_path, one_worker, monkeypatch
):
    address = one_worker.client.scheduler.address

    def said(of=store):
        with pytest.raises(LeewayError) as caught, spread.at(address, of, lambda _line: None):
            pass
        return str(caught.value)

    assert "does not see this store at" in said(type("Elsewhere", (Store,), {"version": lambda _self: 7})(tmp_path))
    monkeypatch.setattr(spread, "versions", lambda: {"polars": "0.1"})
    assert "has polars 2" in said()
    assert "(0.1 here). Install the same release on both sides." in said()


def test_an_address_where_nobody_answers_or_that_is_open_to_all_is_one_line(store, monkeypatch):
    monkeypatch.setattr(spread, "ANSWERS_IN", 0.3)

    def said(*words):
        result = CliRunner().invoke(analyse, ["--store", str(store.path), *words])
        return str(result.exception)

    with socket.create_server(("127.0.0.1", 0)) as silent:  # takes the call, and never says a word
        port = silent.getsockname()[1]
        assert "nobody answers as a Dask scheduler" in said("--cluster", f"tcp://127.0.0.1:{port}")
    assert "nobody answers as a Dask scheduler" in said("--cluster", f"127.0.0.1:{port}")
    assert "is open: whoever reaches the port runs code there" in said("--cluster", "tcp://example.org:8786")
    assert "is no size" in said("--workers", "2", "--memory", "much")
    assert "Give one of them" in said("--workers", "2", "--cluster", "tls://example.org:8786")
    assert "Give --workers too" in said("--memory", "2GiB")
    past = ["--store", str(store.path), "--from", "2031-01-06", "--to", "2031-02-01", "--memory", "2GiB"]
    assert "Give --workers too" in str(CliRunner().invoke(backtest, past).exception)


def test_two_analyses_of_a_store_exclude_each_other(store):
    with _alone(store):
        result = CliRunner().invoke(analyse, ["--store", str(store.path)])
    assert "(analyse)" in str(result.exception)
