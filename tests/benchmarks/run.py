"""Measure, and print one Markdown page: `python -m tests.benchmarks.run [--small] [--write]`.

Times inform and never fail; counts decide (F-21): an answer that calls pint, or validates more resources than its drafts,
its cited evidence and what was refused, ends with exit code 1.
"""

from __future__ import annotations

import argparse
import os
import platform
from datetime import UTC, datetime
from pathlib import Path

from tests.benchmarks import order_sign
from tests.benchmarks.intake_and_rules import Bench, Counts, Parts, conversion

README = Path(__file__).with_name("README.md")
BEGIN, END = "<!-- results -->\n", "<!-- end of results -->\n"


def machine() -> str:
    """Kind of machine, in words; no name of it."""
    model = platform.processor() or platform.machine()
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        model = next(line.partition(":")[2].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        pass
    return f"{os.cpu_count()} cores, {model}, {platform.system()}, Python {platform.python_version()}"


def _mark(reached: float, goal: float) -> str:
    return f"{reached:.2f} (goal {goal:.2f}: {'met' if reached <= goal else 'not met'})"


def http_table(rows: list[order_sign.Row]) -> list[str]:
    """G1, G2 and G5."""
    out = [
        "| resources | running orders | body KB | row KB | critical codes "
        "| floor p50 / p99 ms | service p50 / p99 ms | p50 ratio | p99 ratio | service p99 / p50 |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in rows:
        p50, p99, spread = f"{row.ratio_p50:.2f}", f"{row.ratio_p99:.2f}", f"{row.spread:.2f}"
        if row.running == order_sign.RUNNING and row.size == 1_000:
            p50, p99, spread = _mark(row.ratio_p50, 1.25), _mark(row.ratio_p99, 1.5), _mark(row.spread, 2.0)
        elif row.size == 1:
            p50 = _mark(row.ratio_p50, 2.5)
        running = 0 if row.size == 1 else row.running
        out.append(
            f"| {row.size:,} | {running} | {row.body_bytes / 1000:,.0f} | {row.row_bytes / 1000:,.0f} | {row.critical_codes} "
            f"| {row.floor_p50:.2f} / {row.floor_p99:.2f} | {row.service_p50:.2f} / {row.service_p99:.2f} | {p50} | {p99} | {spread} |"
        )
    return out


def parts_table(rows: list[Parts]) -> list[str]:
    """G3 and G4."""
    out = [
        "| resources | orjson ms | decode ms | intake ms | rules ms | whole answer ms | intake / orjson | rules / decode | intake / orjson, memory |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in rows:
        time_ratio, rules, memory = row.intake_ms / row.orjson_ms, row.rules_ms / row.decode_ms, row.intake_bytes / row.orjson_bytes
        shown = (f"{time_ratio:.2f}", f"{rules:.2f}", f"{memory:.2f}")
        if row.size >= 1_000:
            shown = (_mark(time_ratio, 1.0), _mark(rules, 0.5) if row.size == 1_000 else shown[1], _mark(memory, 0.5))
        out.append(
            f"| {row.size:,} | {row.orjson_ms:.2f} | {row.decode_ms:.2f} | {row.intake_ms:.2f} | {row.rules_ms:.2f} | {row.answer_ms:.2f} "
            f"| {shown[0]} | {shown[1]} | {shown[2]} |"
        )
    return out


def counts_lines(rows: list[Counts], unit_ratio: float) -> list[str]:
    """G9 and G10."""
    out = [f"- G9, a unit conversion against a multiplication from a dictionary: {_mark(unit_ratio, 2.0)}"]
    for row in rows:
        out.append(
            f"- {row.size:,} resources: {row.pint_calls} calls of pint (must be 0); fhir.resources called {row.validations} times "
            f"(at most {row.allowed}: drafts, cited evidence, refused resources): {'kept' if row.kept else 'BROKEN'}"
        )
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description="Measure Trivet against its floor.")
    parser.add_argument("--small", action="store_true", help="small sizes and few rounds")
    parser.add_argument("--write", action="store_true", help=f"put the result into {README.name}")
    given = parser.parse_args()
    bench = Bench()
    sizes = (1, 100) if given.small else (1, 100, 1_000, 5_000)
    counts = [bench.counts(size) for size in sizes]
    page = [f"{datetime.now(UTC).date().isoformat()}, {machine()}.", ""]
    rows = order_sign.measure(order_sign.SMALL, rounds=3, requests=50) if given.small else order_sign.measure(order_sign.FULL)
    page += ["order-sign over HTTP, all rules, durable record, one kept-alive connection (G1, G2, G5):", "", *http_table(rows), ""]
    page += ["In the process (G3, G4):", "", *parts_table([bench.parts(size, 10 if size > 1_000 or given.small else 40) for size in sizes]), ""]
    page += ["Counts (G9, G10):", "", *counts_lines(counts, conversion()), ""]
    text = "\n".join(page)
    print(text)
    if given.write:
        before, _, rest = README.read_text(encoding="utf-8").partition(BEGIN)
        README.write_text(f"{before}{BEGIN}\n{text}\n{END}{rest.partition(END)[2]}", encoding="utf-8")
    return 0 if all(row.kept for row in counts) else 1


if __name__ == "__main__":
    raise SystemExit(main())
