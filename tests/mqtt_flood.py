"""Publishes as fast as asked on one topic, by bytes of its own: host, port, topic, messages per second, seconds.

MQTT 3.1.1, sections 3.1 and 3.3: CONNECT without account, then PUBLISH with QoS 0.
"""

from __future__ import annotations

import socket
import sys
import time


def text(words: str) -> bytes:
    return len(words).to_bytes(2, "big") + words.encode()


def packet(kind: int, body: bytes) -> bytes:
    assert len(body) < 128
    return bytes([kind, len(body)]) + body


def main() -> None:
    host, port, topic, rate, seconds = (
        sys.argv[1],
        int(sys.argv[2]),
        sys.argv[3],
        int(sys.argv[4]),
        float(sys.argv[5]),
    )
    with socket.create_connection((host, port)) as link:
        link.sendall(packet(0x10, text("MQTT") + bytes([4, 2, 0, 60]) + text("flood")))
        assert link.recv(4) == bytes([0x20, 2, 0, 0])
        each = rate // 100
        sent, began_s = 0, time.monotonic()
        while (passed_s := time.monotonic() - began_s) < seconds:
            link.sendall(packet(0x30, text(topic) + b"rubbish") * each)
            sent += each
            time.sleep(max(0.0, sent / rate - passed_s))
        sys.stdout.write(f"{sent}\n")


if __name__ == "__main__":
    main()
