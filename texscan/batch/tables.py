"""results.csv, patches.csv and results.parquet: one row a panel or patch."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from texscan.model import Measured
from texscan.survey.outcome import FIGURES, PanelOutcome, PatchOutcome, measured

DIGITS = 6  # significant
FORMULA_STARTS = ("=", "+", "-", "@")  # a spreadsheet would compute such a cell
FIGURE_COLUMNS = tuple(key + end for key in FIGURES for end in ("", "_low", "_high"))
LAST_COLUMNS = ("share_worn", "share_filled", "action", "flags")
PANEL_COLUMNS = ("panel", *FIGURE_COLUMNS, *LAST_COLUMNS)
PATCH_COLUMNS = ("panel", "patch", *FIGURE_COLUMNS, *LAST_COLUMNS)

Row = tuple[str | float | None, ...]


def panel_row(panel: PanelOutcome) -> Row:
    """One row of results.csv; None = not defined."""
    return (
        panel.name,
        *_numbers(panel.figures[key] for key in FIGURES),
        panel.shares["worn"],
        panel.shares["filled"],
        panel.action,
        " ".join(panel.flags),
    )


def patch_row(panel: str, patch: PatchOutcome) -> Row:
    """One row of patches.csv."""
    score = patch.score
    return (
        panel,
        patch.name,
        *_numbers(measured(score["texture"].get(key)) for key in FIGURES),
        float(score["shares"]["worn"]),
        float(score["shares"]["filled"]),
        score["recommendation"]["action"],
        " ".join(score["flags"]),
    )


def csv_bytes(columns: Sequence[str], rows: Iterable[Row]) -> bytes:
    """
    Comma-separated values with one heading line (RFC 4180, lines end with a line feed), UTF-8; None is empty.

    A text that a spreadsheet would take for a formula gets a leading apostrophe.
    """
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(columns)
    table.writerows([_cell(value) for value in row] for row in rows)
    return out.getvalue().encode("utf-8")


def parquet_bytes(columns: Sequence[str], rows: Sequence[Row]) -> bytes | None:
    """The same table as Parquet: texts as they are, numbers as float64; None without the extra `table`."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        return None
    texts = {"panel", "patch", "action", "flags"}
    arrays = {
        name: pa.array([row[n] for row in rows], type=pa.string() if name in texts else pa.float64())
        for n, name in enumerate(columns)
    }
    out = io.BytesIO()
    pq.write_table(pa.table(arrays), out)
    return out.getvalue()


def _numbers(figures: Iterable[Measured | None]) -> list[float | None]:
    return [number for m in figures for number in ((None, None, None) if m is None else (m.value, m.low, m.high))]


def _cell(value: str | float | None) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return f"'{value}" if value.startswith(FORMULA_STARTS) else value
    return f"{value:.{DIGITS}g}"
