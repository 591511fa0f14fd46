"""By how much each meter trails the reference over a ride, and which of these lags were adopted while it ran."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from analysis.fresh_means import SECOND_NS, fresh_means
from analysis.lag import RATE_HZ, SEARCH_S, Lag, estimate_lag
from analysis.meter_signal import MeterSignal
from analysis.rows import Event, Row

ADOPT_EVERY_S = 30.0  # no more often is it worth trying
SURE_ENOUGH_S = 0.3


def ride_lags(signals: Mapping[str, MeterSignal], reference: str | None, end_ns: int) -> dict[str, Lag]:
    """Of every meter with power but the reference, estimated over all that there is up to `end_ns`."""
    names = [name for name, signal in signals.items() if signal.power is not None and name != reference]
    return {name: lag for name in names if (lag := _lag(signals, name, reference, end_ns)) is not None}


def adopt_lag(
    signals: Mapping[str, MeterSignal], meter: str, reference: str | None, now_ns: int
) -> dict[str, Any] | None:
    """The detail of `Event.LAG_ADOPTED` once the lag is known to ± 0.3 s; None until then.

    Adopt each lag once: from then on it is an input, in all figures of the ride, live and offline.
    """
    lag = _lag(signals, meter, reference, now_ns)
    if lag is None or not lag.determined or not lag.half_width_s < SURE_ENOUGH_S:
        return None
    return {"meter": meter, "reference": reference, "lag_s": lag.lag_s, "half_width_s": lag.half_width_s}


def adopted_lags(events: Iterable[Row], reference: str | None) -> dict[str, float]:
    """Those against this reference; the first of each meter counts."""
    found: dict[str, float] = {}
    for row in events:
        detail = row.detail
        if row.event != Event.LAG_ADOPTED or reference is None or detail.get("reference") != reference:
            continue
        meter, lag_s = detail.get("meter"), detail.get("lag_s")
        # Far beyond the search none was adopted by a recorder of ours.
        if isinstance(meter, str) and isinstance(lag_s, int | float) and abs(lag_s) <= 2 * SEARCH_S:
            found.setdefault(meter, float(lag_s))
    return found


def _lag(signals: Mapping[str, MeterSignal], meter: str, reference: str | None, end_ns: int) -> Lag | None:
    base = signals.get(reference) if reference is not None else None
    signal = signals.get(meter)
    if base is None or base.power is None or signal is None or signal.power is None:
        return None
    step_ns = SECOND_NS // RATE_HZ
    meter_w, base_w = (fresh_means(held, 0, end_ns, step_ns) for held in (signal.power, base.power))
    return estimate_lag(meter_w, base_w)
