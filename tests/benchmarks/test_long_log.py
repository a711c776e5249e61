"""Goal: the log stays quick over many decisions, whatever is asked, and its CSV is flat and fast.

Method: 50,000 decisions; time against a bare read of the same file in the same run, for this
machine may be busy. Five millions: `python -m tests.benchmarks.long_log 5000000`, where the aims
are 50 ms a page and 150,000 rows/s; asserted here at three times.
"""

from pathlib import Path

import pytest

from tests.benchmarks.long_log import measure

pytestmark = pytest.mark.benchmark


def test_any_page_is_quick_and_the_csv_costs_little_more_than_reading(tmp_path: Path) -> None:
    found = measure(tmp_path, 50_000)
    ratio = found.csv_rows_s / found.bare_rows_s
    print(f"{found}, {ratio:.2f} of a bare read")

    assert found.page_p95_ms <= 150
    assert ratio >= 0.15
    assert found.csv_rows_s >= 50_000
    assert found.grown_mb <= 30
