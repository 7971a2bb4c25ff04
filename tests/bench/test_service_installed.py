"""A bench made a service of its machine, brought up to date and taken away again, as `strokelog service` does it."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import sysconfig
import tempfile
import tomllib
import venv
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from capture.bench.lock import BenchLock
from capture.bench.service.own_command import own_command, plain_command
from capture.bench.service.shipped import ServiceError
from capture.cli.main import app
from capture.config import load_config
from capture.record import Store, audit

ROOT = Path(__file__).resolve().parents[2]
LEFT = ROOT / "fixtures" / "releases" / "0.2.0" / "data"
COMMAND = "/opt/strokelog/bin/strokelog"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """An empty machine."""
    (tmp_path / "machine").mkdir()
    return tmp_path / "machine"


def service(what: str, root: Path, *words: str, command: str = COMMAND) -> Result:
    told = ["--command", command] if what == "install" else []
    return CliRunner().invoke(app, ["service", what, "--root", str(root), *told, *words])


def tree(root: Path) -> dict[str, bytes]:
    return {str(path.relative_to(root)): path.read_bytes() if path.is_file() else b"" for path in root.rglob("*")}


def unit(root: Path, name: str = "strokelog@.service") -> Path:
    return root / "etc" / "systemd" / "system" / name


def test_everything_is_put_in_place_with_the_path_of_the_command_and_taken_away_without_a_rest(root: Path) -> None:
    (root / "etc").mkdir()
    (root / "etc" / "hostname").write_text("bay-1\n")
    before = tree(root)
    done = service("install", root, "bay-1")
    assert done.exit_code == 0, done.output
    installed = tree(root)
    units = {path.name for path in (ROOT / "systemd").iterdir() if path.suffix in (".service", ".timer")}
    assert units == {path.name for path in unit(root).parent.iterdir()} and len(units) == 9
    assert not [path for path, data in installed.items() if b"/usr/bin/strokelog" in data and "samples" not in path]
    assert f"ExecStart={COMMAND} run --service --bench %i " in unit(root).read_text()
    assert {"mosquitto.acl", "mosquitto.conf"} <= {one.name for one in (root / "etc/strokelog/samples").iterdir()}
    assert (root / "etc/udev/rules.d/60-strokelog.rules").is_file()
    again = service("install", root, "bay-1")
    assert again.exit_code == 0 and "written" not in again.output and tree(root) == installed
    assert service("uninstall", root, "bay-1").exit_code == 0
    assert tree(root) == before


def test_a_dry_run_says_what_would_be_done_and_does_nothing(root: Path) -> None:
    done = service("install", root, "bay-1", "--dry-run", "--json")
    told = [json.loads(line) for line in done.output.splitlines()]
    assert {one["done"] for one in told} == {"written"} and tree(root) == {}
    service("install", root, "bay-1")
    before = tree(root)
    assert {one["path"] for one in told} == {f"/{path}" for path, data in before.items() if data} - {
        "/etc/strokelog/installed.json"
    }
    done = service("uninstall", root, "bay-1", "--dry-run")
    assert "would remove /etc/strokelog/bay-1.toml" in done.output and tree(root) == before


def test_the_settings_that_are_written_are_settings_and_name_the_bench(root: Path) -> None:
    service("install", root, "bay-2")
    settings = root / "etc/strokelog/bay-2.toml"
    assert load_config(settings).bench == "bay-2" and load_config(settings).faces.group == "dialout"
    # with the lines in that are left out at first, as whoever fills it in has it
    filled = settings.read_text().replace("\n#", "\n").replace("\n Sett", "\n# Sett")
    filled = "\n".join(line if not line.startswith(" ") else f"#{line}" for line in filled.splitlines())
    settings.write_text(filled)
    shutil.copy(root / "etc/strokelog/samples/shop.toml", settings.with_name("shop.toml"))
    assert "bay-1" not in filled and tomllib.loads(filled)["broker"]["username"] == "bay-2"
    assert load_config(settings).broker is not None


def test_what_somebody_changed_or_put_there_is_left_and_named(root: Path) -> None:
    rules = root / "etc/udev/rules.d/60-strokelog.rules"
    rules.parent.mkdir(parents=True)
    rules.write_text("# the shop's own\n")
    done = service("install", root, "bay-1")
    assert done.exit_code == 3 and f"LEFT ALONE /{rules.relative_to(root)}" in done.output
    unit(root).write_text(unit(root).read_text() + "# ours\n")
    settings = root / "etc/strokelog/bay-1.toml"
    settings.write_text('bench = "bay-1"\ntechnician = "first shift"\n')
    again = service("install", root, "bay-1", command="/srv/strokelog")
    assert again.exit_code == 3 and "strokelog@.service: it was changed" in again.output
    assert "bay-1.toml" not in again.output  # it is there to be changed
    assert "ExecStart=/srv/strokelog " in unit(root, "strokelog-prune@.service").read_text()
    gone = service("uninstall", root, "bay-1")
    assert gone.exit_code == 3 and "LEFT ALONE /etc/strokelog/bay-1.toml" in gone.output
    left = {path for path, data in tree(root).items() if data}
    assert left == {str(one.relative_to(root)) for one in (rules, unit(root), settings)}


def test_units_that_were_copied_by_hand_are_taken_over(root: Path) -> None:
    unit(root).parent.mkdir(parents=True)
    shutil.copy(ROOT / "systemd" / "strokelog@.service", unit(root))
    assert service("install", root, "bay-1").exit_code == 0
    assert f"ExecStart={COMMAND} " in unit(root).read_text()


def test_what_is_the_same_already_but_was_not_written_by_it_stays(root: Path) -> None:
    rules = root / "etc/udev/rules.d/60-strokelog.rules"
    rules.parent.mkdir(parents=True)
    shutil.copy(ROOT / "systemd" / "strokelog.rules", rules)
    assert service("install", root, "bay-1").exit_code == 0
    assert service("uninstall", root, "bay-1").exit_code == 0
    assert rules.is_file()


def test_an_installation_that_was_cut_off_is_taken_up_or_away(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real, files = os.replace, []

    def cut(self: Path, target: Path) -> Path:
        files.append(target)
        if len(files) == 6:
            raise OSError(28, "No space left on device")
        real(self, target)
        return target

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", cut)
        assert service("install", root, "bay-1").exit_code == 1
    half = shutil.copytree(root, root.with_name("half"))
    assert service("uninstall", half, "bay-1").exit_code == 0
    assert not [path for path, data in tree(half).items() if data]
    assert service("install", root, "bay-1").exit_code == 0
    assert service("uninstall", root, "bay-1").exit_code == 0
    assert tree(root) == {}


def test_benches_share_the_units_and_the_last_takes_them_along(root: Path) -> None:
    assert service("install", root, "bay-1", "bay-2").exit_code == 0
    assert service("install", root, "bay-3").exit_code == 0
    assert service("uninstall", root, "bay-1").exit_code == 0
    assert not (root / "etc/strokelog/bay-1.toml").exists() and unit(root).is_file()
    assert service("uninstall", root, "bay-1").exit_code == 1
    assert service("uninstall", root, "bay-2", "bay-3").exit_code == 0
    assert tree(root) == {}


def test_a_bench_is_added_beside_one_that_measures_and_units_are_changed_under_none(root: Path) -> None:
    """common practice: a workshop that gets one more bench does not send the others' technicians home."""
    assert service("install", root, "bay-1").exit_code == 0
    data = root / "var/lib/strokelog/bay-1"
    data.mkdir(parents=True)
    Store.open(data / "record.sqlite").close()
    with BenchLock(data, "bay-1"):
        added = service("install", root, "bay-2")
        changed = service("install", root, "bay-2", command="/srv/strokelog/bin/strokelog")
    assert added.exit_code == 0 and (root / "etc/strokelog/bay-2.toml").is_file(), added.output
    assert changed.exit_code == 1 and "systemctl stop strokelog@bay-1" in changed.output
    gone = service("uninstall", root, "bay-1", "bay-2").output
    assert "The record of bay-1 stays" in gone and "The record of bay-2" not in gone, "it has none"


def test_an_office_that_has_no_bench_gets_the_units_of_board_and_collector(root: Path) -> None:
    assert service("uninstall", root).exit_code == 1
    done = service("install", root)
    assert done.exit_code == 0 and "systemctl enable --now strokelog-board strokelog-collect" in done.output
    assert unit(root, "strokelog-collect.service").is_file() and not list((root / "etc/strokelog").glob("bay*"))
    assert service("install", root, "bay-1").exit_code == 0
    assert "name the benches" in service("uninstall", root).output
    assert service("uninstall", root, "bay-1").exit_code == 0 and tree(root) == {}
    service("install", root)
    assert service("uninstall", root).exit_code == 0 and tree(root) == {}


def test_what_is_enabled_or_running_is_not_taken_away(root: Path) -> None:
    service("install", root, "bay-1")
    wants = unit(root).parent / "timers.target.wants"
    wants.mkdir()
    link = wants / "strokelog-backup@bay-1.timer"
    link.symlink_to("../strokelog-backup@.timer")
    done = service("uninstall", root, "bay-1")
    assert done.exit_code == 1 and "systemctl disable --now strokelog-backup@bay-1.timer" in done.output
    link.unlink()
    running = root / "run/strokelog/bay-1"
    running.mkdir(parents=True)
    assert "systemctl stop strokelog@bay-1" in service("uninstall", root, "bay-1").output
    assert unit(root).is_file()


@pytest.mark.parametrize("name", ["bay 1", "../x", "-x", "b" * 22, "board", "collector", "bay%i", ""])
def test_a_name_that_no_user_or_file_can_have_is_refused(root: Path, name: str) -> None:
    done = CliRunner().invoke(app, ["service", "install", "--root", str(root), "--command", COMMAND, "--", name])
    assert done.exit_code == 1 and tree(root) == {}


@pytest.mark.parametrize(
    "path", ["/home/tech/.local/bin/strokelog", "/root/v/bin/strokelog", "strokelog", "/a b/s", "/%h"]
)
def test_a_command_that_a_hardened_service_cannot_run_is_refused(path: str) -> None:
    """systemd.exec(5), ProtectHome=yes: /home, /root and /run/user are empty for the service."""
    with pytest.raises(ServiceError):
        plain_command(path)


def test_the_installed_command_is_found_and_one_that_a_service_s_user_cannot_reach_is_refused(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with tempfile.TemporaryDirectory() as made:
        scripts = Path(made)
        (scripts / "strokelog").touch()
        (scripts / "strokelog").chmod(0o755)
        monkeypatch.setattr(sysconfig, "get_path", lambda name: made)
        monkeypatch.setattr(sys, "executable", "/usr/bin/env")
        scripts.chmod(0o755)
        assert own_command() == f"{made}/strokelog"
        scripts.chmod(0o700)
        with pytest.raises(ServiceError, match=f"{made} is closed to others"):
            own_command()
        scripts.chmod(0o755)
        monkeypatch.setattr(sys, "executable", "/root/.local/share/python3")
        with pytest.raises(ServiceError, match="python3 is under /root"):
            own_command()
        (scripts / "strokelog").unlink()
        with pytest.raises(ServiceError, match="is not installed"):
            own_command()


def schema(record: Path) -> str:
    with closing(sqlite3.connect(record)) as opened:
        (version,) = opened.execute("SELECT version_num FROM alembic_version").fetchone()
    return str(version)


def test_a_record_of_an_older_version_is_copied_then_brought_up_to_date_and_proven(root: Path) -> None:
    data = Path(shutil.copytree(LEFT, root / "var/lib/strokelog/bay-1"))
    record = data / "record.sqlite"
    old = schema(record)
    dry = service("install", root, "bay-1", "--dry-run")
    assert "would copy the record of bay-1" in dry.output and schema(record) == old
    done = service("install", root, "bay-1")
    assert done.exit_code == 0, done.output
    (copy,) = (root / "var/lib/strokelog-upgrade/bay-1").iterdir()
    assert str(copy) in done.output
    assert schema(copy / "record.sqlite") == old != schema(record)
    assert audit(record).jobs > 0
    Store.open(copy / "record.sqlite").close()  # the copy is whole: it takes the same steps
    assert audit(copy / "record.sqlite").head == audit(record).head
    service("install", root, "bay-1")
    assert len(list(copy.parent.iterdir())) == 1  # nothing to bring up to date, nothing to copy
    service("uninstall", root, "bay-1")
    assert record.is_file() and copy.is_dir()


def test_what_root_brought_up_to_date_is_the_bench_s_again(root: Path) -> None:
    """systemd.exec(5), DynamicUser=: the service's user owns its state folder, and can write its own files alone."""
    owner = 61184 if os.geteuid() == 0 else os.getuid()
    data = Path(shutil.copytree(LEFT, root / "var/lib/strokelog/bay-1"))
    for path in (data, *data.rglob("*")):
        os.chown(path, owner, -1)
    assert service("install", root, "bay-1", "--dry-run").exit_code == 0
    assert {path.stat().st_uid for path in data.rglob("*")} == {owner}
    assert service("install", root, "bay-1").exit_code == 0
    assert {path.stat().st_uid for path in data.rglob("*")} == {owner}
    assert schema(data / "record.sqlite") != schema(LEFT / "record.sqlite")


def test_nothing_is_changed_under_a_bench_that_measures_or_with_a_record_of_a_newer_version(root: Path) -> None:
    data = Path(shutil.copytree(LEFT, root / "var/lib/strokelog/bay-1"))
    old = schema(data / "record.sqlite")
    with BenchLock(data, "bay-1"):
        done = service("install", root, "bay-1")
    assert done.exit_code == 1 and "systemctl stop strokelog@bay-1" in done.output
    assert schema(data / "record.sqlite") == old and not (root / "etc").exists()
    with closing(sqlite3.connect(data / "record.sqlite")) as opened, opened:
        opened.execute("UPDATE alembic_version SET version_num = '9999'")
    done = service("install", root, "bay-1")
    assert done.exit_code == 1 and "newer strokelog" in done.output and not (root / "etc").exists()


def test_systemd_reads_what_was_written(root: Path) -> None:
    """systemd-analyze(1) verify and systemd-sysusers(8), on the files as installed."""
    service("install", root, "bay-1", command=shutil.which("true") or "/bin/true")
    copies = []
    for one in sorted(unit(root).parent.iterdir()):
        copies.append(root / one.name.replace("@.", "@bay-1."))
        shutil.copy(one, copies[-1])
    done = subprocess.run(["systemd-analyze", "verify", *map(str, copies)], capture_output=True, text=True)
    assert [line for line in (done.stdout + done.stderr).splitlines() if "strokelog" in line] == []
    made = subprocess.run(["systemd-sysusers", f"--root={root}"], capture_output=True, text=True)
    assert made.returncode == 0, made.stderr
    assert "\ndialout:" in f"\n{(root / 'etc/group').read_text()}"


def test_a_wheel_in_a_clean_place_installs_a_service_that_runs_that_very_command(tmp_path: Path, root: Path) -> None:
    source = tmp_path / "source"
    for name in ("capture", "drivers", "systemd", "fixtures/demo"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source)
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=source, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    shipped = {name.rpartition("/")[2] for name in zipfile.ZipFile(wheel).namelist() if "/service/files/" in name}
    assert shipped == {path.name for path in (ROOT / "systemd").iterdir()}
    shutil.rmtree(source)
    place = tmp_path / "opt"
    venv.create(place, with_pip=False)
    python = str(place / "bin" / "python")
    pip = [
        sys.executable,
        "-m",
        "pip",
        "--python",
        python,
        "install",
        "-q",
        "--no-compile",
        "--no-index",
        "--no-deps",
        str(wheel),
    ]
    subprocess.run(pip, check=True, capture_output=True)
    # What it depends on is read from where the tests have it; a path added so brings no other strokelog along.
    (site,) = (place / "lib").glob("python*/site-packages")
    (site / "depends.pth").write_text(str(Path(pytest.__file__).parents[1]))
    command = str(place / "bin" / "strokelog")
    told = [command, "service", "install", "bay-1", "--root", str(root), "--command", command]
    done = subprocess.run(told, cwd=tmp_path, capture_output=True, text=True, env={"PATH": "/usr/bin:/bin"})
    assert done.returncode == 0, done.stdout + done.stderr
    (line,) = [one for one in unit(root).read_text().splitlines() if one.startswith("ExecStart=")]
    program = line.removeprefix("ExecStart=").split()[0]
    said = subprocess.run([program, "--version"], capture_output=True, text=True, check=True)
    assert said.stdout.startswith("strokelog ")
