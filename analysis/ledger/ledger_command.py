"""The command `wattproof ledger`: keep recordings, and tell of units and rides from all that is kept."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.errors import BadInput

if TYPE_CHECKING:
    from analysis.ledger.ledger_snapshot import Snapshot

DONE, NO, BAD_USE = 0, 1, 2
PLACE = "WATTPROOF_LEDGER"
EXAMPLE = """example:
  wattproof ledger add rides/*.parquet --ledger ~/ledger
  wattproof ledger show alder-1 --ledger ~/ledger

Without --ledger the folder named by WATTPROOF_LEDGER is used, else ./ledger.
"""


def ledger(arguments: Sequence[str]) -> int:
    options = _parser().parse_args(arguments)
    run: Callable[[argparse.Namespace], int] = options.run
    return run(options)


def _parser() -> argparse.ArgumentParser:
    parser = _described(
        None, "ledger", "Keep every recording, and see what they tell of each unit together.", EXAMPLE
    )
    actions = parser.add_subparsers(metavar="ACTION", required=True)
    add = _described(
        actions,
        "add",
        "Judge recordings and copy them into the ledger, with their amendments; the files stay where they are. Add a "
        "recording again when its amendments changed.",
        "example:\n  wattproof ledger add 2026-11-25_0930_quayside-bench.parquet\n",
    )
    add.add_argument("recordings", metavar="RECORDING", type=Path, nargs="+", help="Parquet files of rides")
    add.add_argument("--accept-serial", action="store_true", help="go on where a unit tells another serial or model")
    listing = _described(
        actions, "list", "The rides and units of the ledger.", "example:\n  wattproof ledger list --rebuild\n"
    )
    listing.add_argument("--rebuild", action="store_true", help="check all recordings, make results and index anew")
    listing.add_argument("--page", metavar="FILE", type=Path, help="write a page: units over time, network, firmware")
    show = _described(
        actions,
        "show",
        "Everything known of one unit: rides, firmware, drift, battery, fitness as a reference, open questions.",
        "example:\n  wattproof ledger show alder-1 --page alder-1.html\n",
    )
    show.add_argument("--page", metavar="FILE", type=Path, help="write all of it as a page to publish from")
    show.add_argument("unit", metavar="UNIT", help="the `unit` of the bench file")
    compare = _described(
        actions,
        "compare",
        "The same units in two rides: what changed from the first to the second.",
        "example:\n  wattproof ledger compare 4f1a 9c07\n",
    )
    for name, which in (("ride_a", "before"), ("ride_b", "after")):
        text = f"the ride {which}: beginning of its session, or name of its file"
        compare.add_argument(name, metavar=name.upper(), help=text)
    adjusting = _described(
        actions,
        "adjust",
        "All rides in one adjustment: units that were never ridden together are compared through common ones.",
        "example:\n  wattproof ledger adjust --json\n",
    )
    runs = ((add, _add), (listing, _list), (show, _show), (compare, _compare), (adjusting, _adjust))
    for sub, run in runs:
        sub.add_argument("--ledger", metavar="DIR", help=f"folder of the ledger; default: ${PLACE}, else ./ledger")
        sub.add_argument("--json", action="store_true", help="print the result as one JSON object")
        sub.set_defaults(run=run)
    return parser


def _described(actions: Any, name: str, text: str, example: str) -> argparse.ArgumentParser:
    about: dict[str, Any] = {
        "description": text,
        "epilog": example,
        "formatter_class": argparse.RawDescriptionHelpFormatter,
    }
    if actions is None:
        return argparse.ArgumentParser(prog=f"wattproof {name}", **about)
    parser: argparse.ArgumentParser = actions.add_parser(name, help=text, **about)
    return parser


def _place(options: argparse.Namespace) -> str:
    return _chosen(options.ledger)


def _chosen(place: str | None) -> str:
    return place or os.environ.get(PLACE) or "ledger"


def _add(options: argparse.Namespace) -> int:
    from analysis.ledger.ledger_folder import open_ledger
    from analysis.ledger.taking_in import GOOD_STATES, Added, add_recording, finish_adding

    folder = open_ledger(_place(options), make=True)
    found: list[Added] = []
    try:
        for path in options.recordings:
            found.append(add_recording(folder, path, accept_serial=options.accept_serial))
            if not options.json:
                good = found[-1].state in GOOD_STATES
                print(found[-1].words, file=sys.stdout if good else sys.stderr)
        finish_adding(folder)
    except OSError as fault:
        raise BadInput(
            f"nothing can be written to the ledger {_place(options)}: {fault.strerror or fault}."
        ) from fault
    if options.json:
        _print_json({"ledger": _place(options), "files": [asdict(a) for a in found]})
    states = {a.state for a in found}
    return BAD_USE if "not usable" in states else DONE if states <= GOOD_STATES else NO


def _list(options: argparse.Namespace) -> int:
    from analysis.ledger.compare_rides import known_rides
    from analysis.ledger.ledger_folder import open_ledger
    from analysis.ledger.taking_in import rebuild
    from analysis.ledger.unit_lines import ride_lines
    from analysis.ledger.unit_rides import known_units

    folder = open_ledger(_place(options))
    try:
        rebuilt = rebuild(folder) if options.rebuild else None
    except OSError as fault:
        raise BadInput(f"the ledger {_place(options)} cannot be rebuilt: {fault.strerror or fault}.") from fault
    snapshot = folder.snapshot()
    rides, units = known_rides(snapshot), known_units(snapshot)
    if options.json:
        made = {} if rebuilt is None else {"rebuilt": asdict(rebuilt)}
        _print_json({"ledger": _place(options), "rides": rides, "units": units, **made})
    else:
        for line in ride_lines(rides):
            print(line)
        print(f"{len(rides)} rides; units: {', '.join(units) or 'none'}")
    if options.page is not None:
        _write_page(snapshot, options.page)
    for name, why in rebuilt.skipped if rebuilt is not None else ():
        print(f"wattproof: skipped {name}: {why.rstrip('.')}.", file=sys.stderr)
    _tell_unreadable(snapshot)
    return BAD_USE if rebuilt is not None and rebuilt.skipped else DONE


def _write_page(snapshot: Snapshot, path: Path) -> None:
    from analysis.adjustment import adjust
    from analysis.ledger.ledger_page import ledger_page
    from analysis.ledger.network import network
    from analysis.ledger.network_words import network_lines
    from analysis.ledger.page_frame import write_page

    rides = network(snapshot)
    write_page(path, ledger_page(snapshot, network_lines(adjust(rides)) if rides else ()))
    print(f"wrote {path}", file=sys.stderr)


def _show(options: argparse.Namespace) -> int:
    return _show_unit(_place(options), options.unit, as_json=options.json, page=options.page)


def report_unit(unit: str, place: str | None, *, as_json: bool, out: Path | None) -> int:
    """As `ledger show`, with the page in a folder of reports."""
    from analysis.safe_text import file_slug

    if out is not None:
        try:
            out.mkdir(parents=True, exist_ok=True)
        except OSError as fault:
            raise BadInput(f"the report cannot be written to {out}: {fault.strerror}.") from fault
    page = None if out is None else out / f"unit-{file_slug(unit)}.html"
    return _show_unit(_chosen(place), unit, as_json=as_json, page=page)


def _show_unit(place: str, unit: str, *, as_json: bool, page: Path | None) -> int:
    """Print what is known of a unit, and write its page where one is wanted."""
    from analysis.ledger.ledger_folder import open_ledger
    from analysis.ledger.ledger_words import open_questions
    from analysis.ledger.unit_history import unit_history
    from analysis.ledger.unit_lines import unit_lines

    snapshot = open_ledger(place).snapshot()
    history = unit_history(snapshot, unit)
    if as_json:
        _print_json({**asdict(history), "open_questions": list(open_questions(history))})
    else:
        print("\n".join(unit_lines(history)))
    if page is not None:
        from analysis.ledger.page_frame import write_page
        from analysis.ledger.unit_page import unit_page

        write_page(page, unit_page(history))
        print(f"wrote {page}", file=sys.stderr)
    _tell_unreadable(snapshot)
    return DONE


def _compare(options: argparse.Namespace) -> int:
    from analysis.ledger.compare_rides import compare_rides
    from analysis.ledger.ledger_folder import open_ledger
    from analysis.ledger.unit_lines import comparison_lines

    snapshot = open_ledger(_place(options)).snapshot()
    found = compare_rides(snapshot, options.ride_a, options.ride_b)
    if options.json:
        pairs = [{**asdict(p), "half_width_pct": p.half_width_pct, "changed": p.changed} for p in found.pairs]
        _print_json({**asdict(found), "pairs": pairs})
    else:
        print("\n".join(comparison_lines(found)))
    _tell_unreadable(snapshot)
    return DONE if found.pairs else NO


def _adjust(options: argparse.Namespace) -> int:
    from analysis.adjustment import adjust
    from analysis.ledger.ledger_folder import open_ledger
    from analysis.ledger.network import network
    from analysis.ledger.network_words import epoch_steps, network_lines
    from analysis.ledger.unit_lines import section_lines

    snapshot = open_ledger(_place(options)).snapshot()
    rides = network(snapshot)
    _tell_unreadable(snapshot)
    if not rides:
        print("wattproof: no ride of the ledger compares two meters yet.", file=sys.stderr)
        return NO
    found = adjust(rides)
    if options.json:
        _print_json({**asdict(found), "firmware_steps": [asdict(step) for step in epoch_steps(found)]})
    else:
        print("\n".join(section_lines(network_lines(found))))
    return DONE


def _tell_unreadable(snapshot: Snapshot) -> None:
    for key in snapshot.unreadable:
        text = f"the results of the recording {key[:16]} cannot be read; `wattproof ledger list --rebuild` mends that"
        print(f"wattproof: {text}.", file=sys.stderr)


def _print_json(value: dict[str, Any]) -> None:
    from analysis.json_figures import jsonable

    print(json.dumps(jsonable(value), indent=2))
