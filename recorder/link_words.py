"""What a person is told when a sensor cannot be reached: causes and remedies, one sentence each; pure text."""

from __future__ import annotations

from recorder.link_actions import Trouble

LINKS_OF_A_SMALL_ADAPTER = 3  # adapters hold 3 to 8 links, and say nothing when they are full

_REMEDIES = {
    Trouble.TIMED_OUT: "it answered no connection; wake it and bring it nearer, it is tried again",
    Trouble.BUSY: "the Bluetooth service is still busy with an earlier attempt; it is tried again",
    Trouble.ABORTED: "the connection broke off while it was being made; it is tried again",
    Trouble.VANISHED: "it was seen and is gone again; it is looked for anew",
    Trouble.UNREADABLE: "its services are not readable; it is tried again from scratch",
    Trouble.WRONG_SENSOR: "the sensor found is not the wanted one",
    Trouble.DROPPED: "the link fell before any data came; it is tried again",
    Trouble.SERVICE: "the Bluetooth service did not answer; it is tried again",
    Trouble.OTHER: "connecting failed; it is tried again",
}


def trouble_words(trouble: Trouble, detail: str, failures: int, recent_aborts: int, links_up: int) -> str:
    """`recent_aborts` within 2 min; `detail` comes from below and is appended in brackets."""
    if recent_aborts >= 5:
        return (
            "the radio is disturbed: move the dongle away from USB 3 devices, "
            "and keep 2.4 GHz Wi-Fi or a phone's hot-spot off"
        )
    # Whether an adapter is full can only be guessed from the way it fails.
    full_looks_like = trouble in (Trouble.TIMED_OUT, Trouble.ABORTED, Trouble.VANISHED)
    if full_looks_like and failures >= 3 and links_up >= LINKS_OF_A_SMALL_ADAPTER:
        return (
            f"the adapter is probably full with {links_up} links up: "
            "use fewer sensors, or another adapter that holds more"
        )
    remedy = _REMEDIES[trouble]
    return f"{remedy} ({detail})" if detail else remedy


def not_seen_words(links_up: int) -> str:
    causes = "asleep (spin it), out of reach, or connected elsewhere (close the app on the phone)"
    if links_up >= LINKS_OF_A_SMALL_ADAPTER:
        causes += f"; or the adapter is full with {links_up} links"
    return f"it is not advertising: {causes}"


def scan_stuck_words(detail: str) -> str:
    return (
        f"scanning for sensors fails again and again ({detail}); those connected go on. "
        "If it stays so, switch Bluetooth off and on: bluetoothctl power off, then bluetoothctl power on"
    )
