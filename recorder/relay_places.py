"""Where relays are to be met: broker, topics and sensors, from a bench file and options; opens no connection."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from analysis.bench_file import Bench
from analysis.bench_relays import Relay
from analysis.errors import BadInput
from analysis.safe_text import safe_text
from recorder.broker_address import Broker, open_broker
from recorder.relay_messages import Topics


@dataclass(frozen=True)
class RelayPlace:
    """Where a relay is to be heard, and which streams it is to reach."""

    topics: Topics
    broker: Broker
    sensors: tuple[str, ...]


@dataclass(frozen=True)
class RelayOptions:
    """What a person said beside the bench file; it stands over the file."""

    name: str | None = None
    session: str | None = None
    broker: str | None = None
    ca: Path | None = None
    password_file: Path | None = None


def relay_places(bench: Bench, folder: Path, environment: Mapping[str, str]) -> list[RelayPlace]:
    """For a recorder. Files are named from `folder`. :raises BadInput:"""
    return [_place(bench, relay, RelayOptions(), folder, environment) for relay in bench.relay]


def own_place(bench: Bench, options: RelayOptions, folder: Path, environment: Mapping[str, str]) -> RelayPlace:
    """For a relay: its table of the bench file, or all of a bench that has none. :raises BadInput:"""
    return _place(bench, _own_table(bench, options), options, folder, environment)


def _own_table(bench: Bench, options: RelayOptions) -> Relay:
    if not bench.relay:
        return Relay(name=options.name or "relay", sensors=())
    names = [relay.name for relay in bench.relay]
    if options.name is None and len(names) > 1:
        raise BadInput(f"the bench file has several relays; say which this is with --name ({', '.join(names)})")
    table = next((relay for relay in bench.relay if options.name in (None, relay.name)), None)
    if table is None:
        raise BadInput(
            f"the bench file has no relay named `{safe_text(options.name or '')}`; it has {', '.join(names)}"
        )
    return table


def _place(
    bench: Bench, relay: Relay, options: RelayOptions, folder: Path, environment: Mapping[str, str]
) -> RelayPlace:
    url = options.broker or relay.broker
    if url is None:
        if not bench.relay:
            raise BadInput(
                "no broker is stated: the bench file has no [[relay]], and a recorder needs one to listen; see --help"
            )
        raise BadInput(f'relay {relay.name}: no broker is stated; write broker = "mqtts://HOST" into its table')
    ca = options.ca or _beside(folder, relay.ca)
    password_file = options.password_file or _beside(folder, relay.password_file)
    topics = Topics(options.session or relay.session, options.name or relay.name)
    own = bench.reached_by(relay.name) if bench.relay else bench
    return RelayPlace(topics, open_broker(url, ca, password_file, environment), own.stream_names)


def _beside(folder: Path, name: str | None) -> Path | None:
    return None if name is None else folder / name
