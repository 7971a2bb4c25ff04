"""The systemd units' commands, run as the units run them: their own environment, a user without a home, and a root that
nobody can write to but for the unit's own folders (systemd.exec(5): DynamicUser=, ProtectSystem=strict)."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import typer

from capture.cli.main import app
from tests.support.broker import Mosquitto
from tests.support.proven_record import make_record

ROOT = Path(__file__).resolve().parents[2]
#: Of the range that systemd takes dynamic users from; no list of users knows it.
DYNAMIC_UID = 61184
#: Makes every mount read-only but for what the kernel gives and the folders named, then becomes the unit's user.
#: `"$1"` are the unit's own folders, with colons between; the rest is the command.
CONFINED = """
set -e
own=:$1:; shift
mount --make-rprivate /
while read -r -d: place; do [ -z "$place" ] || mount --bind "$place" "$place"; done <<< "$own"
while read -r place; do
    case $own in *":$place:"*) continue;; esac
    case $place in /proc|/proc/*|/sys|/sys/*|/dev|/dev/*) continue;; esac
    mount -o remount,bind,ro "$place" 2>/dev/null || true
done <<< "$(awk '{print $5}' /proc/self/mountinfo)"
first=${own#:}
if touch "$(dirname "${first%%:*}")/written" 2>/dev/null; then echo "the root can be written to" >&2; exit 99; fi
cd /
exec "$@"
"""


@cache
def user() -> tuple[str, ...]:
    """What makes root the unit's user. Where the program lies in a folder of root's own, which that user cannot pass:
    root without a right of root's."""
    dynamic = f"setpriv --reuid={DYNAMIC_UID} --regid={DYNAMIC_UID} --clear-groups --no-new-privs"
    reachable = subprocess.run(
        [*dynamic.split(), sys.executable, "-c", "import capture.cli"],
        cwd="/", env={"PYTHONPATH": str(ROOT)}, capture_output=True,
    )  # fmt: skip
    bare = "setpriv --bounding-set=-all --inh-caps=-all --no-new-privs"
    return tuple((dynamic if reachable.returncode == 0 else bare).split())


def directives(unit: str) -> dict[str, list[str]]:
    """What a unit's file says, each key with all its values."""
    told: dict[str, list[str]] = {}
    for line in (ROOT / "systemd" / unit).read_text().splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            told.setdefault(key, []).append(value)
    return told


#: Runs every command it is given as `strokelog` would, and prints those that end in a traceback.
EACH = """
import json, sys, traceback
from capture.cli.main import main
failed, commands, out = [], json.load(sys.stdin), sys.stdout
sys.stdin, sys.stdout = open("/dev/null"), sys.stderr
for words in commands:
    sys.argv = ["strokelog", *words]
    try:
        main()
    except SystemExit:
        pass
    except BaseException:
        failed.append(words)
        traceback.print_exc()
print(json.dumps(failed), file=out)
"""


def confined(places: Sequence[Path], words: Sequence[str]) -> list[str]:
    """The command line that runs Python with these words, able to write below `places` and nowhere else."""
    run = [sys.executable, *words]
    shell = ["bash", "-c", CONFINED, "bash", ":".join(map(str, places))]
    if os.geteuid() != 0:  # the user is kept, root's rights are not had
        return ["unshare", "--map-root-user", "--mount", *shell, *run]
    return ["unshare", "--mount", *shell, *user(), *run]


def environment(home: str | None) -> dict[str, str]:
    """What a service is given, and nothing of the tests'; where the program's own files are is not true here."""
    given = {"PATH": "/usr/local/bin:/usr/bin:/bin", "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"}
    return given if home is None else given | {"HOME": home}


class Unit:
    """A unit for bench bay-1, its folders below `home`: `etc` for its settings, `lib` for its state."""

    def __init__(self, unit: str, home: Path) -> None:
        self.home = home
        self.told = directives(unit)
        for name in ("etc", "lib", "tmp"):
            (home / name).mkdir(parents=True, exist_ok=True)
        states = " ".join(self.told.get("StateDirectory", [])).split()
        #: systemd.exec(5), StateDirectory=, PrivateTmp=: what the unit may write to; not what these lie in
        self.own = [*(home / "lib" / self._of(folder) for folder in states), home / "tmp"]
        for folder in self.own:
            folder.mkdir(parents=True, exist_ok=True)

    def _of(self, text: str) -> str:
        """Fill in what the manager does: the instance, and where folders of this kind lie."""
        text = text.replace("%i", "bay-1").replace("%S", "/var/lib").replace("%d", "/run/credentials/x")
        return text.replace("/etc/strokelog", str(self.home / "etc")).replace("/var/lib", str(self.home / "lib"))

    def environment(self, home: str | None) -> dict[str, str]:
        """The environment that the unit gives, and nothing of the tests'."""
        given = environment(home) | {"TMPDIR": str(self.home / "tmp")}
        for line in self.told.get("Environment", []):
            name, _, value = self._of(line).partition("=")
            given[name] = value
        return given

    def command(self) -> list[str]:
        """The unit's command, confined as the unit is."""
        (line,) = self.told["ExecStart"]
        program, *words = shlex.split(self._of(line))
        assert program == "/usr/bin/strokelog"
        return confined(self.own, ["-m", "capture.cli", *words])

    @contextmanager
    def started(self, home: str | None, **environment: str) -> Iterator[subprocess.Popen[str]]:
        """Start the unit's command; it is killed if the block leaves it running."""
        if os.geteuid() == 0:
            for path in (self.home, *self.home.rglob("*")):
                os.chown(path, DYNAMIC_UID, DYNAMIC_UID)
        process = subprocess.Popen(
            self.command(), env=self.environment(home) | environment,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            yield process
        finally:
            process.kill()
            process.communicate(timeout=90)

    def ran(self, home: str | None) -> tuple[int, str]:
        """Run the unit's command to its end; return its exit code and what it said."""
        with self.started(home) as process:
            out, err = process.communicate(timeout=60)
            return process.returncode, out + err


def serving(process: subprocess.Popen[str], told: socket.socket) -> None:
    """Wait until a unit says that it is ready."""
    told.settimeout(90)
    while (said := told.recv(256)) != b"READY=1":
        assert said.startswith(b"STATUS=") and process.poll() is None


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder for a unit's folders; pytest's own ones no other user can pass."""
    with tempfile.TemporaryDirectory(prefix="strokelog-unit-") as folder:
        yield Path(folder)


@pytest.fixture
def manager(place: Path) -> Iterator[socket.socket]:
    """Where a service manager would listen; the process under test may write to it."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(place / "notify"))
        yield listener


def test_a_bench_measures_and_its_end_is_an_answer(place: Path, manager: socket.socket) -> None:
    unit = Unit("strokelog@.service", place)
    for name in ("workshop-forwarder.toml", "line-10hz-mm-clean.jsonl"):
        (found,) = [*(ROOT / "fixtures" / "demo").glob(name), *(ROOT / "fixtures" / "recordings").glob(name)]
        shutil.copy(found, unit.home / "etc" / name)
    (unit.home / "etc" / "bay-1.toml").write_text(
        f'sheet = "{unit.home}/etc/workshop-forwarder.toml"\n[indicator]\ndriver = "line"\n'
        f'port = "recording:{unit.home}/etc/line-10hz-mm-clean.jsonl"\nresolution = "0.01 mm"\nunit = "mm"\n'
    )
    with unit.started("/", NOTIFY_SOCKET=str(unit.home / "notify")) as process:
        serving(process, manager)
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=90)
    assert "Traceback" not in err
    assert process.returncode == 3 and unit.told["SuccessExitStatus"] == ["3"], err
    assert (unit.home / "lib" / "strokelog" / "bay-1" / "record.sqlite").is_file()


def test_the_collector_is_ready_with_a_database_of_its_own(
    place: Path, manager: socket.socket, mosquitto: Mosquitto
) -> None:
    unit = Unit("strokelog-collect.service", place)
    (unit.home / "etc" / "collect.toml").write_text(f'[broker]\nurl = "mqtt://127.0.0.1:{mosquitto.port}"\n')
    with unit.started(None, NOTIFY_SOCKET=str(unit.home / "notify")) as process:
        serving(process, manager)
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=90)
    assert process.returncode == 0 and "Traceback" not in err, err
    assert [one.name for one in (unit.home / "lib").rglob("*.sqlite")] == ["collect.sqlite"]


def test_the_board_serves_its_page(place: Path, mosquitto: Mosquitto) -> None:
    unit = Unit("strokelog-board.service", place)
    (unit.home / "etc" / "board.toml").write_text(f'[broker]\nurl = "mqtt://127.0.0.1:{mosquitto.port}"\n')
    # As `systemctl edit` would. The board takes a port itself: one that is found free beforehand may be some client's
    # own by the time that a busy machine has started the board.
    unit.told["ExecStart"] = [unit.told["ExecStart"][0] + " --listen 127.0.0.1:0"]
    with unit.started("/") as process:
        assert process.stderr is not None
        said = process.stderr.readline()
        address = re.search(r"http://127\.0\.0\.1:[1-9][0-9]*/", said)
        assert address is not None, said
        with urllib.request.urlopen(address[0], timeout=90) as page:
            assert b"<html" in page.read()
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=90)
    assert process.returncode == 0 and "Traceback" not in err, err


@pytest.mark.parametrize(("name", "home"), [("prune", None), ("backup", "/")])
def test_what_runs_at_night_does_its_work(place: Path, name: str, home: str | None) -> None:
    unit = Unit(f"strokelog-{name}@.service", place)
    make_record(unit.home / "lib" / "strokelog" / "bay-1")
    (unit.home / "etc" / "bay-1.toml").write_text("[retention]\ncompress_after_days = 1\nkeep_newest_jobs = 0\n")
    code, said = unit.ran(home)
    assert code == 0 and "Traceback" not in said, said
    if name == "prune":
        assert list((unit.home / "lib" / "strokelog").rglob("*.jsonl.gz"))
    else:
        assert list((unit.home / "lib" / "strokelog-backup" / "bay-1" / "newest").rglob("record*"))


def every_command(command: Any, *names: str) -> Iterator[list[str]]:
    """Every command there is, with something in the place of each thing it asks for."""
    if hasattr(command, "commands"):
        for name in command.commands:
            yield from every_command(command.commands[name], *names, name)
        return
    words: list[str] = [*names]
    for one in command.params:
        if one.required:
            words += [one.opts[0]] if one.param_type_name == "option" else []
            words += ["1"] * max(1, one.nargs)
    yield words


@pytest.mark.parametrize("home", ["/", None], ids=["root-for-a-home", "no-home"])
def test_no_command_ends_in_a_traceback_without_a_home_or_a_place_to_write(place: Path, home: str | None) -> None:
    commands = list(every_command(typer.main.get_command(app)))
    assert len(commands) > 25

    done = subprocess.run(
        confined([place], ["-c", EACH]), env=environment(home), input=json.dumps(commands), capture_output=True,
        text=True, timeout=100,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "[]\n"), done.stderr[-2000:]
