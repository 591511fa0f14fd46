"""The command `wattproof report`: a recording in, figures out; or a unit of a ledger in, all that is known of it."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

EXAMPLE = """example:
  wattproof report 2026-11-25_0930_quayside-bench.parquet --out report
  wattproof report first.parquet second.parquet --out report
  wattproof report --unit alder-1 --ledger ledger --out report
"""


def report(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(
        prog="wattproof report",
        description="Figures per segment and meter: mean power, greatest 1 s, cadence, coverage, gaps, and the "
        "difference to the reference. With --out also a page to read and publish, and tables.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "recordings",
        metavar="RECORDING",
        type=Path,
        nargs="*",
        help="the Parquet file of a ride; several of one session are judged as one ride",
    )
    parser.add_argument("--unit", help="report on a unit of a ledger over all its rides, instead of on one recording")
    parser.add_argument(
        "--ledger", metavar="DIR", help="with --unit: folder of the ledger, as for `wattproof ledger`"
    )
    parser.add_argument("--reference", metavar="NAME", help="compare against this meter instead of the bench file's")
    parser.add_argument("--json", action="store_true", help="print every figure as one JSON object")
    parser.add_argument("--out", metavar="DIR", type=Path, help="write report.html, CSV and Parquet tables there")
    options = parser.parse_args(arguments)
    if bool(options.recordings) == (options.unit is not None):
        parser.error("give either a recording or --unit")
    if options.unit is not None:
        from analysis.ledger.ledger_command import report_unit

        return report_unit(options.unit, options.ledger, as_json=options.json, out=options.out)

    from analysis.joined_ride import joined_ride
    from analysis.json_figures import every_figure
    from analysis.judge import judge_recording
    from analysis.recording_reader import read_recording
    from analysis.report_table import report_table

    recording = joined_ride([read_recording(path) for path in options.recordings])
    judged = judge_recording(recording, options.reference)
    if options.json:
        table = every_figure(recording, judged, options.recordings)
        print(json.dumps(table, indent=2))
    else:
        print(report_table(recording, judged), end="")
    if options.out is not None:
        from analysis.report_files import write_report

        page, *tables = write_report(options.out, recording, judged)
        print(f"wrote {page} and {len(tables)} tables beside it", file=sys.stderr if options.json else sys.stdout)
    if recording.decoded_again:
        print("note: another decoder version wrote this file; its payloads were decoded again.", file=sys.stderr)
    return 0
