"""Pages for the suppliers of parts, out of published tables; set when they are asked for."""

from datetime import datetime
from typing import Any

from dashboard import published
from pipelines.handouts.supplier import NEEDED, suppliers_of


def parts(as_of: datetime) -> list[dict[str, Any]]:
    """Parts that there is a page for their supplier about: one record each."""

    def build() -> list[dict[str, Any]]:
        tables = {name: published.table(name, as_of) for name in NEEDED}
        return suppliers_of(tables, vehicles=published.vehicles(), names=published.names())

    return published.kept("suppliers", as_of, build=build)


def page(record: dict[str, Any], as_of: datetime) -> bytes:
    """One of them as PDF."""
    from pipelines.handouts.papers import supplier_pdf  # noqa: PLC0415 - a typesetter, which one button needs

    return supplier_pdf(record, as_of)
