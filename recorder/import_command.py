"""The command `wattproof import`: files that other devices recorded in, one recording on one clock out."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from collections.abc import Sequence
from pathlib import Path

from recorder.command_line import command_parser

EXAMPLE = """wattproof import Alder=head-unit.fit Birch=watch.fit --bench bench.toml --laps
  wattproof import Alder=head-unit.fit Birch=watch.fit --bench bench.toml --propose > segments.txt
  wattproof import Alder=head-unit.fit Birch=watch.fit --bench bench.toml --segments segments.txt
  wattproof import Alder=a.fit Cedar=c.csv --bench bench.toml \\
      --csv "time=t_s,power=watts" --segment "climb=0:42:00-0:49:30\""""


def import_files(arguments: Sequence[str]) -> int:
    options = _parser().parse_args(arguments)

    from analysis.bench_file import read_bench
    from analysis.ride_files.ride_file import Keep
    from recorder.import_files import given_files, mappings_of
    from recorder.import_recording import ImportJob, import_ride, proposed_segments, read_on_one_clock
    from recorder.import_segments import listed_segments
    from recorder.storage import SystemStorage

    bench = read_bench(options.bench)
    job = ImportJob(
        bench,
        given_files(options.files, bench),
        options.out,
        options.reference,
        [*options.segment, *(listed_segments(options.segments) if options.segments else [])],
        options.laps,
        options.offset,
        mappings_of(options.csv, bench),
        Keep(position=options.keep_position, heart_rate=options.keep_heart_rate),
    )
    ride = read_on_one_clock(job)
    if options.propose:
        lines = proposed_segments(ride)
        if options.json:
            print(json.dumps({"proposals": lines}))
        else:
            print("\n".join(lines) if lines else "no stretch of this ride lends itself; mark segments by hand")
        return 0 if lines else 1
    summary = import_ride(job, ride, SystemStorage())
    print(json.dumps(summary.as_dict()) if options.json else summary.in_words())
    return 0


def _parser() -> ArgumentParser:
    parser = command_parser(
        "import",
        "Make one recording of the files that other devices recorded of the same ride: FIT, TCX, GPX with power, or "
        "CSV. Each has its own clock; they are put on that of the reference by the power and cadence that all of "
        "them saw. Position and heart rate are dropped unless asked for.",
        EXAMPLE,
    )
    parser.add_argument(
        "files", nargs="+", metavar="NAME=FILE", help="a meter's ride; NAME may be left out where clear"
    )
    parser.add_argument("--bench", type=Path, required=True, help="the bench file")
    parser.add_argument("--out", type=Path, default=Path(), metavar="DIR", help="where to put it (default: here)")
    parser.add_argument("--reference", metavar="NAME", help="whose clock counts, and whom to compare with")
    parser.add_argument(
        "--segment",
        action="append",
        default=[],
        metavar="NAME[:KIND]=FROM-TO",
        help="mark a segment, H:MM:SS from the start, or with Z behind both in UTC; kinds as in a plan",
    )
    parser.add_argument(
        "--segments",
        type=Path,
        metavar="FILE",
        help="mark those listed in a file, one a line as --propose prints them",
    )
    parser.add_argument("--laps", action="store_true", help="take the laps of the reference's file as segments")
    parser.add_argument(
        "--propose", action="store_true", help="only print segments worth judging, to choose from; writes nothing"
    )
    parser.add_argument(
        "--offset",
        action="append",
        default=[],
        metavar="NAME=SECONDS",
        help="add this to the times of a file instead of estimating it; where only one of the two files knows UTC, "
        "times count from their first records",
    )
    parser.add_argument(
        "--csv",
        action="append",
        default=[],
        metavar="[NAME:]MAPPING",
        help="columns of tables, as in time=t_s,power=watts; also cadence, balance_left, balance_right, speed "
        "(km/h), temperature, decimal=comma",
    )
    parser.add_argument("--keep-position", action="store_true", help="keep where the ride went, in the payloads")
    parser.add_argument("--keep-heart-rate", action="store_true", help="keep the heart rate, in the payloads")
    parser.add_argument("--json", action="store_true", help="print the summary as JSON")
    return parser
