"""The data of a trial as plain CSV files with a description of every column.

The description follows the Tabular Data Package, an open standard (Frictionless Standards:
``datapackage.json`` with Table Schema fields). It holds types, missing codes, and the units under
the key ``unit``, which Table Schema leaves to its users.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Mapping
from hashlib import sha256
from io import StringIO
from typing import Any, Final

from trialkit.report.checklist import report_checklist
from trialkit.report.content import PageContent
from trialkit.report.data_tables import (
    Cell,
    Column,
    DataTable,
    checklist_table,
    contrasts_table,
    covariates_table,
    curves_table,
    periods_table,
    values_table,
)

MISSING: Final = ("",)
# A cell that starts with one of these is run as a formula by spreadsheet programs.
_FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")


def data_files(content: PageContent) -> dict[str, str]:
    """Every data file of a trial by name, with ``datapackage.json`` describing them.

    Figures keep full precision; a missing value is an empty cell.
    """
    found = (
        values_table(content),
        periods_table(content),
        covariates_table(content),
        contrasts_table(content),
        *(curves_table(c, number=i) for i, c in enumerate(content.curves, start=1)),
    )
    files = {f"{table.name}.csv": csv_text(table) for table in found}
    files["datapackage.json"] = (
        json.dumps(_package(content, found, files), indent=2, ensure_ascii=False) + "\n"
    )
    return files


def checklist_csv(content: PageContent) -> str:
    """The reporting checklist as a table file."""
    return csv_text(checklist_table(report_checklist(content)))


def csv_text(table: DataTable) -> str:
    """A table as CSV text: comma, decimal point, LF, an empty cell for a missing value."""
    buffer = StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([c.name for c in table.columns])
    writer.writerows([_cell(value) for value in row] for row in table.rows)
    return buffer.getvalue()


def _package(
    content: PageContent, tables: Iterable[DataTable], files: Mapping[str, str]
) -> dict[str, Any]:
    return {
        "profile": "tabular-data-package",
        "name": "n-of-1-trial",
        "title": content.plan.title,
        "description": content.plan.question,
        "invented": content.is_invented,
        "resources": [_resource(table, files[f"{table.name}.csv"]) for table in tables],
    }


def _resource(table: DataTable, text: str) -> dict[str, Any]:
    data = text.encode()
    return {
        "name": table.name,
        "path": f"{table.name}.csv",
        "profile": "tabular-data-resource",
        "description": table.description,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(data),
        "hash": f"sha256:{sha256(data).hexdigest()}",
        "schema": {
            "fields": [_field(column) for column in table.columns],
            "missingValues": list(MISSING),
        },
    }


def _field(column: Column) -> dict[str, str]:
    field = {"name": column.name, "type": column.type, "description": column.description}
    return {**field, "unit": column.unit} if column.unit else field


def _cell(value: Cell) -> str:
    if value is None or (isinstance(value, float) and value != value):  # noqa: PLR0124 - NaN
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return {float("inf"): "INF", float("-inf"): "-INF"}.get(value, repr(value))
    if isinstance(value, str) and value.startswith(_FORMULA_STARTS):
        return f"'{value}"
    return str(value)
