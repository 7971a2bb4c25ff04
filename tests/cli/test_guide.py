"""The guide at the bench: every topic, in a pipe and on a terminal, and what a mistyped one is answered with."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from capture.bench.service.installed import INSTALLED_FILE
from capture.bench.service.shipped import SAMPLES, SHIPPED_COMMAND, shipped
from capture.clearance.gauge.masters import load_masters
from capture.cli.groups import Group
from capture.cli.guide import topics
from capture.cli.main import COMMANDS, app
from capture.collect.settings import load_settings
from capture.config import Alerts, Config, GaugeIdentity, Retention, load_config
from capture.mqtt.settings import BrokerSettings
from capture.output.words import FLAG_WORDS
from capture.sheet.sheet import About, Pack, Selective, SheetAir, Shim, parse_sheet
from capture.sheet.steps import Step, Timed, Torque
from capture.stock.file import load_stock
from drivers.indicators.registry import driver_names, find_driver
from drivers.wirings.registry import driver_names as wiring_names
from drivers.wirings.registry import find_driver as find_wiring
from tests.support.terminal import Terminal

ROOT = Path(__file__).resolve().parents[2]
GUIDE = ROOT / "capture" / "guide"


def test_without_a_topic_it_lists_them_in_the_order_to_read_them() -> None:
    said = CliRunner().invoke(app, ["guide"]).output
    listed = [line.split()[0] for line in said.splitlines() if "  " in line]
    assert set(listed) == {page.stem for page in GUIDE.glob("*.md")}
    assert listed[:4] == ["hooking-up", "gauge", "build-sheet", "measuring"]


@pytest.mark.parametrize("topic", sorted(page.stem for page in GUIDE.glob("*.md")))
def test_in_a_pipe_a_page_is_plain_text_without_its_pictures(topic: str) -> None:
    done = CliRunner().invoke(app, ["guide", topic])
    assert done.exit_code == 0 and done.output.startswith("# ")
    assert "\x1b" not in done.output and "![" not in done.output
    kept = re.sub(r"!\[[^\]]*\]\([^)]*\)", "", (GUIDE / f"{topic}.md").read_text())
    assert done.output.split() == kept.split()


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("mesuring", "measuring"), ("flags", "flags-and-verdict"), ("buildsheet", "build-sheet"), ("wrong", "when-som")],
)
def test_a_mistyped_topic_is_answered_with_the_nearest(typed: str, meant: str) -> None:
    done = CliRunner().invoke(app, ["guide", typed])
    assert done.exit_code == 2 and f"did you mean `strokelog guide {meant}" in done.output


def test_a_topic_like_no_other_is_answered_with_all_there_are() -> None:
    done = CliRunner().invoke(app, ["guide", "xyzzy"])
    assert done.exit_code == 2 and all(topic in done.output for topic in topics())


def test_on_a_terminal_a_page_is_drawn_and_one_that_fits_needs_no_key_to_leave_it() -> None:
    with Terminal(100, 60) as terminal:
        terminal.run("capture.cli", "guide", "gauge")
        shown = terminal.wait_for("does not count")
        terminal.wait_for_shell()
    assert "The gauge" in shown and "# The gauge" not in shown and "```" not in shown
    assert 'serial = "DI-0413"' in shown


def test_every_topic_that_a_page_sends_to_is_there() -> None:
    for page in GUIDE.glob("*.md"):
        for named in re.findall(r"strokelog guide ([a-z][a-z-]+)", page.read_text()):
            assert named in topics(), (page.name, named)


def commands_of(page: Path) -> list[str]:
    """The command lines in a page's blocks, without what a shell makes of them."""
    blocks = re.findall(r"^```sh\n(.*?)^```", page.read_text(), re.MULTILINE | re.DOTALL)
    lines = [line.partition("  #")[0] for block in blocks for line in block.splitlines()]
    return [line for line in lines if line.startswith("strokelog ")]


@pytest.mark.parametrize("page", [ROOT / "README.md", *sorted(GUIDE.glob("*.md"))], ids=lambda page: page.stem)
def test_every_command_that_a_page_shows_is_there_with_its_options(page: Path) -> None:
    for line in commands_of(page):
        words = shlex.split(line)[1:]
        listed = COMMANDS[words[0]]
        under = listed.commands if isinstance(listed, Group) else listed.beside
        command = under.get(words[1], listed) if words[1:] else listed
        known = {option for parameter in command.load("x").params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= known, line


def test_every_key_that_a_sheet_may_hold_stands_in_its_page() -> None:
    told = set(re.findall(r"[`.]([a-z_]+)", (GUIDE / "build-sheet.md").read_text()))
    for model in (About, SheetAir, Pack, Shim, Selective, Step, Timed, Torque):
        assert set(model.model_fields) <= told, (model.__name__, set(model.model_fields) - told)


def test_every_setting_stands_in_its_page() -> None:
    pages = (("measuring", Config), ("mqtt", BrokerSettings), ("gauge", GaugeIdentity), ("record", Retention),
             ("board", Alerts))  # fmt: skip
    for page, model in pages:
        told = set(re.findall(r"\b[a-z_0-9]+\b", (GUIDE / f"{page}.md").read_text()))
        assert set(model.model_fields) <= told, (page, set(model.model_fields) - told)
    hooking_up = (GUIDE / "hooking-up.md").read_text()
    told = set(re.findall(r"`([a-z0-9_-]+)`", hooking_up))
    for names, find in ((driver_names, find_driver), (wiring_names, find_wiring)):
        for name in names():
            assert {name, *find(name).settings.model_fields} <= told, name


def test_every_flag_stands_in_the_guide_with_its_code_and_its_phrase() -> None:
    rows = re.findall(r"^\| `([a-z_]+)` \| ([^|]+) \|", (GUIDE / "flags-and-verdict.md").read_text(), re.MULTILINE)
    assert dict(rows) == FLAG_WORDS


def toml_of(topic: str) -> list[str]:
    """The blocks of TOML that a page shows."""
    return re.findall(r"^```toml\n(.*?)^```", (GUIDE / f"{topic}.md").read_text(), re.MULTILINE | re.DOTALL)


def test_every_block_of_toml_in_the_guide_is_taken_by_what_reads_it(tmp_path: Path) -> None:
    seen = set()
    for topic in topics():
        for number, block in enumerate(toml_of(topic)):
            file = tmp_path / f"{topic}-{number}.toml"
            file.write_text(block)
            tables = set(tomllib.loads(block))
            if tables in (
                {"steps"},
                {"dimensions"},
                {"variants"},
            ):  # in the sheet of its page, in the place of its steps
                whole = toml_of("build-sheet")[0].partition("[[steps]]")[0]
                seen.add("steps" if parse_sheet(whole + block, str(file)).packs else "")
            elif "sheet" in tables and "packs" in tables:
                seen.add("sheet" if parse_sheet(block, str(file)).packs else "")
            elif tables == {"parts"}:
                seen.add("stock" if load_stock(file) else "")
            elif tables == {"masters"}:
                seen.add("masters" if load_masters(file) else "")
            elif "database" in tables:
                seen.add("collector" if load_settings(file) else "")
            else:
                seen.add("settings" if load_config(file) else "")
    assert seen == {"steps", "sheet", "stock", "collector", "settings", "masters"}


def test_the_torque_that_the_page_signs_is_that_of_the_step_it_names() -> None:
    whole = toml_of("build-sheet")[0].partition("[[steps]]")[0] + toml_of("steps-and-sign-off")[0]
    steps = parse_sheet(whole, "the page").steps
    lines = [shlex.split(line) for line in commands_of(GUIDE / "steps-and-sign-off.md") if "--value" in line]
    assert lines
    for words in lines:
        step = steps[int(words[words.index("step") + 2]) - 1]
        typed, newton_metres = words[words.index("--value") + 1].split(maxsplit=1)
        assert isinstance(step, Torque) and newton_metres == "N m" and step.value_unm == int(typed) * 1_000_000


def test_the_only_commands_without_json_are_those_the_guide_names() -> None:
    without = set()
    for name, listed in COMMANDS.items():
        one = {f"{name} {word}": sub for word, sub in listed.commands.items()} if isinstance(listed, Group) else None
        for words, command in (one or {name: listed}).items():
            if "--json" not in {option for parameter in command.load("x").params for option in parameter.opts}:
                without.add(words)
    (sentence,) = re.findall(r"`--json` turns.*?writes so\.", (GUIDE / "measuring.md").read_text(), re.DOTALL)
    assert without == set(re.findall(r"`([a-z -]+)`", sentence)) - {"--json"}


def test_a_fixture_is_told_its_settings_as_the_guide_says() -> None:
    shown = CliRunner().invoke(app, ["fixture", "test", "--help"], terminal_width=200).output
    assert "A fixture setting" in shown and "indicator setting" not in shown
    assert "`fixture test` with `--set KEY=VALUE`" in (GUIDE / "hooking-up.md").read_text()


def test_a_session_is_taken_over_under_any_name_and_the_help_says_so() -> None:
    shown = CliRunner().invoke(app, ["collect", "--help"], terminal_width=200).output
    assert "--take-over-session" in shown and "Without --name" not in shown


def test_the_page_of_services_names_what_is_installed_and_every_timer_comes_with_its_service() -> None:
    page = (GUIDE / "service.md").read_text()
    files = {path.name: path.read_text() for path in (ROOT / "systemd").iterdir()}
    programs = {
        line.split()[0] for text in files.values() for line in re.findall(r"^ExecStart=(.+)", text, re.MULTILINE)
    }
    assert programs == {SHIPPED_COMMAND} and "sudo python3 -m venv /opt/strokelog\n" in page
    assert "sudo /opt/strokelog/bin/strokelog service install bay-1 " in page
    assert "sudo /opt/strokelog/bin/strokelog service uninstall bay-1 " in page
    for file in shipped(("bay-1",), SHIPPED_COMMAND):
        folder, _, name = file.path.rpartition("/")
        assert f"`{folder}/`" in page or f"`{file.path}`" in page, file.path
        if name.endswith(".timer"):
            assert f"`{name}`" in page and name.replace(".timer", ".service") in files
        elif folder == SAMPLES:
            assert f"`{name}`" in page
    assert INSTALLED_FILE in page and "/var/lib/strokelog-upgrade/bay-1/" in page
    read = {file for text in files.values() for file in re.findall(r"--config /etc/strokelog/(\S+)", text)}
    for file in read:
        assert f"{file.replace('%i', 'bay-1')}`" in page


def test_the_program_is_made_a_command_before_a_page_uses_it() -> None:
    for page in (ROOT / "README.md", GUIDE / "hooking-up.md"):
        before, told, _ = page.read_text().partition("`. .venv/bin/activate`")
        assert told and not re.search(r"^strokelog ", before, re.MULTILINE)
    shown = re.findall(
        r"(\S*)\bpip install", "".join(page.read_text() for page in (ROOT / "README.md", *GUIDE.glob("*.md")))
    )
    assert shown and all(where.endswith("/bin/") for where in shown)
