"""Where a port's bytes come from is told from what the operating system says of it, not from its name."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from drivers.port_origin import PortOrigin, origin_of_port


@pytest.mark.attack("a program that plays an indicator")
def test_a_pseudo_terminal_is_known_as_one_under_any_name(tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    try:
        name = tmp_path / "ttyUSB0"
        name.symlink_to(os.ttyname(theirs))
        for url in (os.ttyname(theirs), str(name)):
            assert origin_of_port(url) == PortOrigin("pseudo-terminal", url)
    finally:
        os.close(ours)
        os.close(theirs)


def test_a_recording_is_a_recording_whether_it_is_there_or_not(tmp_path: Path) -> None:
    url = f"recording:{tmp_path / 'good.jsonl'}"
    assert origin_of_port(url).kind == "recording"


@pytest.mark.attack("a program that plays an indicator")
@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "127.4.5.6", "0.0.0.0"])
def test_a_socket_of_this_machine_is_no_other_machine_s(host: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        for scheme in ("socket", "rfc2217"):
            assert origin_of_port(f"{scheme}://{host}:{port}").kind == "this-machine"


def test_another_machine_s_port_is_told_without_reaching_it() -> None:
    # 192.0.2.0/24 is kept for documentation (RFC 5737): nothing answers there, and no name is asked for.
    assert origin_of_port("socket://192.0.2.7:4001").kind == "network"


@pytest.mark.parametrize("url", ["/dev/nowhere", "socket://", "socket://host:no", "", "loop://", "/dev/null", "a\0b"])
def test_what_cannot_be_told_is_unknown_and_no_error(url: str) -> None:
    assert origin_of_port(url).kind == "unknown"


def test_a_plain_file_is_no_port(tmp_path: Path) -> None:
    file = tmp_path / "readings"
    file.write_bytes(b"+0.00\r\n")
    assert origin_of_port(str(file)).kind == "unknown"


def test_the_console_of_a_virtual_machine_or_a_uart_is_a_line_and_a_virtual_one_is_not() -> None:
    # Which there are is this machine's matter; what the kernel says of each must be what is told.
    for known in Path("/sys/class/tty").glob("tty*"):
        device = Path("/dev", known.name)
        if device.is_char_device():
            virtual = "virtual" in known.resolve().parts
            assert origin_of_port(str(device)).kind == ("pseudo-terminal" if virtual else "line"), known
