"""What keeps us from a broker, told from the errors of the library and the system, in one sentence each."""

from __future__ import annotations

import re
import socket
import ssl
from collections.abc import Iterator

from analysis.safe_text import safe_text
from recorder.broker_address import BrokerAddress
from recorder.errors import RecorderError

# X509_V_ERR_* of OpenSSL's x509_vfy.h
_EXPIRED = 10
_NOT_YET_VALID = 9
_WRONG_HOST = 62
_WRONG_NUMBER = 64
_STRICT = range(80, 94)  # of X509_V_FLAG_X509_STRICT, which Python sets from 3.13 on
# CONNACK of MQTT 3.1.1 (table 3.1), and what the library makes of it in MQTT 5 numbers
_BAD_ACCOUNT = (4, 5, 134, 135)
_BAD_ID = (2, 133)
_BUSY = (3, 136)
_CODE = re.compile(r"\[code:(\d+)\]")
_UNNAMED = "[code:128]"  # MQTT 5's number for an error of no particular kind
_NO_ANSWER = "Operation timed out"  # the library's words, from a time-out of its own and not of a socket


class BrokerTrouble(RecorderError):
    """No broker, or it was lost. `lasting`: will not mend by itself, so that a person must act."""

    def __init__(self, words: str, lasting: bool = False) -> None:
        super().__init__(words)
        self.lasting = lasting


def connect_trouble(address: BrokerAddress, error: BaseException) -> BrokerTrouble:
    for cause in () if str(error) == _NO_ANSWER else _chain(error):
        if isinstance(cause, ssl.SSLCertVerificationError):
            return BrokerTrouble(f"{address}: {_certificate_words(address, cause)}", lasting=True)
        if isinstance(cause, socket.gaierror | UnicodeError):
            return BrokerTrouble(f"{address}: no computer of that name is known; check the name and the network.")
        if isinstance(cause, ConnectionRefusedError):
            return BrokerTrouble(f"{address}: no broker listens there; start it, or check the port.")
        if isinstance(cause, ssl.SSLError | ConnectionResetError | BrokenPipeError) and address.tls:
            return BrokerTrouble(
                f"{address}: this port does not answer with TLS; name the broker's TLS port, mostly 8883.",
                lasting=True,
            )
        if isinstance(cause, TimeoutError | OSError):
            return BrokerTrouble(f"{address}: cannot be reached ({_plain(cause)}); check network and address.")
    return _answer_trouble(address, error)


def _answer_trouble(address: BrokerAddress, error: BaseException) -> BrokerTrouble:
    """There was a connection; what went wrong was said, or not said, by the broker."""
    found = _CODE.search(str(error))
    code = int(found.group(1)) if found else None
    if code in _BAD_ACCOUNT:
        who = "without an account" if address.user is None else f"as {address.user} with this password"
        return BrokerTrouble(
            f"{address}: the broker lets nobody in {who}; write mqtts://ACCOUNT@HOST and check the password.",
            lasting=True,
        )
    if code in _BAD_ID:
        return BrokerTrouble(
            f"{address}: our client identifier is not accepted; mend the broker's rules.", lasting=True
        )
    if code in _BUSY:
        return BrokerTrouble(f"{address}: the broker says that it is not available now.")
    if str(error) == _NO_ANSWER:
        hint = "" if address.tls else "; if its port expects TLS, write mqtts://"
        return BrokerTrouble(f"{address}: took the connection but did not answer as a broker{hint}.")
    return BrokerTrouble(f"{address}: the broker refused the connection ({_plain(error)}).")


def lost_trouble(address: BrokerAddress, error: BaseException) -> BrokerTrouble:
    """While a connection was in use."""
    if str(error) == _NO_ANSWER:
        return BrokerTrouble(f"{address}: the broker did not acknowledge a message in time.")
    cause = next((cause for cause in _chain(error) if cause is not error), error)
    why = "it hung up" if _UNNAMED in str(cause) else _plain(cause)
    return BrokerTrouble(f"{address}: the connection to the broker was lost ({why}).")


def _certificate_words(address: BrokerAddress, error: ssl.SSLCertVerificationError) -> str:
    if error.verify_code in (_WRONG_HOST, _WRONG_NUMBER):
        return f"the broker's certificate is for another name than {address.host}; use the name it was made for."
    if error.verify_code in (_EXPIRED, _NOT_YET_VALID):
        return "the broker's certificate is out of date, or a clock is wrong; renew it, or set the clock."
    if error.verify_code in _STRICT:
        why = safe_text(error.verify_message, 80)
        return f"the broker's certificate or its authority is not made as is asked today ({why}); make both anew."
    return "the broker's certificate is not signed by a trusted authority; name your own with --ca FILE."


def _plain(error: BaseException) -> str:
    strerror = error.strerror if isinstance(error, OSError) else None
    return safe_text(strerror or str(error) or type(error).__name__, 80)


def _chain(error: BaseException) -> Iterator[BaseException]:
    """The error and what it came from. The library hides the system's error from tracebacks (`from None`), but it is
    still its context, and tells more than its text."""
    seen: BaseException | None = error
    while seen is not None:
        yield seen
        seen = seen.__cause__ or seen.__context__
