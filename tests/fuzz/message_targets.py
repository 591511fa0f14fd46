"""What other processes and machines send: a screen's requests, and the address of a broker."""

from __future__ import annotations

from analysis.errors import BadInput
from recorder.broker_address import BrokerAddress, checked_topic
from recorder.control_words import Ask, ask_from_line, to_line, told_from_line
from tests.fuzz.harmless import check_line
from tests.fuzz.targets import Target


def control_line(data: bytes) -> None:
    """One line of the control socket, in both directions."""
    ask = ask_from_line(data)
    if isinstance(ask, Ask):
        if ask_from_line(to_line(ask).strip()) != ask:
            raise AssertionError("an ask does not come back as it was")
    else:
        check_line(ask)
    told_from_line(data)


def addresses(data: bytes) -> None:
    """A broker's URL, and a topic."""
    text = data.decode("utf-8", "surrogateescape")
    for make in (BrokerAddress.from_url, checked_topic):
        try:
            str(make(text))
        except BadInput as fault:
            if "\n" in str(fault):
                raise AssertionError(f"no sentence: {fault!s}") from fault


TARGETS = (
    Target(
        "control-line",
        control_line,
        lambda: [to_line(Ask("mark", "here")), b'{"do":"zero","sensor":null}', b'{"type":"answer","words":"w"}'],
        0.1,
    ),
    Target("addresses", addresses, lambda: [b"mqtts://rider@broker:8883", b"mqtt://[::1]", b"a/b-1/c"], 0.1),
)
