"""All members of a pack, made from the recording and the terms alone: packing and verifying both call this."""

from __future__ import annotations

import datetime
import json
import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from analysis.amendments import amend_path
from analysis.json_figures import every_figure
from analysis.judge import Judged, judge_recording
from analysis.pack.case import Case, case_of
from analysis.pack.manifest import MANIFEST, manifest_text
from analysis.pack.objection import Objection
from analysis.pack.objection_page import objection_page
from analysis.pack.objection_text import objections_json, objections_text
from analysis.pack.objections import objections_of
from analysis.pack.pieces import PIECES, pieces_text
from analysis.pack.readme_text import readme_text
from analysis.pack.row_check import RowCheck, check_rows
from analysis.pack.terms import Terms
from analysis.pack.toml_text import toml_text
from analysis.plan_file import plan_from_dict
from analysis.recording_reader import Recording, read_recording
from analysis.report_files import write_report
from analysis.safe_text import file_slug

TERMS, FIGURES, OBJECTIONS = "pack.json", "figures.json", "objections"
# Their wording and layout belong to a version of the product; figures do not.
WORDED = re.compile(r"README\.txt|objections\.(?:html|txt|json)|report/report\.html")
_KNOWN = re.compile(
    r"README\.txt|objections\.(?:html|txt|json)|figures\.json|pack\.json|(?:bench|plan)\.toml"
    r"|report/[a-z][a-z0-9_]{0,40}\.(?:html|csv|parquet)"
    r"|recording/[a-z0-9][a-z0-9.-]{0,79}\.(?:parquet|amend\.toml)"
    r"|originals/[0-9]{2}-[a-z0-9][a-z0-9.-]{0,79}"
    rf"|{re.escape(PIECES)}|{MANIFEST}"
)


@dataclass(frozen=True)
class Made:
    """`members` in the order of the archive."""

    members: Mapping[str, bytes]
    ride: Recording
    rows: RowCheck
    objections: tuple[Objection, ...]


def known_name(name: str) -> bool:
    """Whether a pack may hold a member of that name: none leads out of a folder, none is hidden."""
    return _KNOWN.fullmatch(name) is not None and ".." not in name


def recording_member(name: str) -> str:
    """For a recording called `name`, without the folder it lies in."""
    return f"recording/{file_slug(Path(name).stem)}.parquet"


def amendments_member(recording: str) -> str:
    return amend_path(Path(recording)).as_posix()


def made_pack(
    terms: Terms, recording: bytes, amendments: bytes | None = None, originals: Mapping[str, bytes] | None = None
) -> Made:
    """`originals` by member.

    :raises WattproofError: for a recording or amendments that cannot be read or judged.
    """
    with _in_folder(terms.recording, recording, amendments) as path:
        here = read_recording(path)
        rows = check_rows(path)
        judged = judge_recording(here, terms.reference_asked)
        report = _of_report(here, judged, path.parent)
    # Figures name the file as the pack does, wherever it lay meanwhile.
    ride = replace(here, path=Path(terms.recording))
    case = case_of(ride, judged, rows, terms)
    objections = objections_of(case)
    members = {"README.txt": readme_text(terms), **_of_objections(case, objections)}
    members |= {FIGURES: _figures(ride, judged), **report, **_of_metadata(ride)}
    members[TERMS] = terms.to_json()
    members[terms.recording] = recording
    if amendments is not None:
        members[amendments_member(terms.recording)] = amendments
    members |= originals or {}
    members[PIECES] = pieces_text(members)
    members[MANIFEST] = manifest_text(members)
    return Made(members, ride, rows, objections)


@contextmanager
def _in_folder(name: str, recording: bytes, amendments: bytes | None) -> Iterator[Path]:
    """The two files as the reader wants them: beside each other."""
    with tempfile.TemporaryDirectory(prefix="wattproof-") as folder:
        path = Path(folder) / Path(name).name
        path.write_bytes(recording)
        if amendments is not None:
            amend_path(path).write_bytes(amendments)
        yield path


def _of_objections(case: Case, objections: tuple[Objection, ...]) -> dict[str, bytes]:
    return {
        f"{OBJECTIONS}.html": objection_page(case, objections),
        f"{OBJECTIONS}.txt": objections_text(case, objections),
        f"{OBJECTIONS}.json": objections_json(case, objections),
    }


def _figures(ride: Recording, judged: Judged) -> bytes:
    name = ride.path.as_posix()  # the same on every system
    figures = {**every_figure(ride, judged, [ride.path]), "recording": name, "recordings": [name]}
    return (json.dumps(figures, indent=2) + "\n").encode()


def _of_report(ride: Recording, judged: Judged, folder: Path) -> dict[str, bytes]:
    """The very files of `report --out`."""
    written = write_report(folder / "report", ride, judged)
    return {f"report/{path.name}": path.read_bytes() for path in written}


def _of_metadata(ride: Recording) -> dict[str, bytes]:
    """TOML as a person would write it, so that it can be used for the next ride."""
    found = {"bench.toml": toml_text(_plain(ride.bench)).encode()}
    if ride.metadata.plan is not None:
        found["plan.toml"] = toml_text(_plain(plan_from_dict(ride.metadata.plan))).encode()
    return found


def _plain(table: msgspec.Struct) -> dict[str, Any]:
    built: dict[str, Any] = msgspec.to_builtins(table, builtin_types=(datetime.date,))
    return built
