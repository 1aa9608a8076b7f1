"""The command line: what goes where, and how it ends."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import pytest

from netcorr import __version__
from netcorr.cli import explain, main, option_help
from netcorr.cli_feedback import TerminalFeedback
from netcorr.errors import CancelledError, ExportError, LayerError, NetcorrError, UsageError
from netcorr.feedback import Feedback
from netcorr.tools import TOOLS
from netcorr.tools.declare import Tool
from netcorr.tools.parameter import Parameter
from netcorr.tools.registry import Registry

HEAVY = ("geopandas", "scipy", "pandas", "matplotlib", "numpy", "shapely", "networkx", "pyproj", "fiona")


@dataclass(frozen=True)
class Answer:
    """What the tool under test answers."""

    values: dict[str, Any]
    exit_code: int = 0
    verdict: str = ""
    files: tuple[Path, ...] = ()

    def text(self) -> str:
        return f"length {self.values['length_m']} m\n"

    def as_dict(self) -> dict[str, Any]:
        return self.values


def tools(act: Callable[[Feedback], Answer | None] = lambda _: None) -> Registry:
    """Give a registry with one small tool that does `act` on its way."""

    def measure(
        *,
        source: Path,
        length_m: float,
        band_hz: tuple[float, float] | None,
        side: str,
        fast: bool,
        feedback: Feedback,
    ) -> Answer:
        given = act(feedback)
        values = {"source": str(source), "length_m": length_m, "band_hz": band_hz, "side": side, "fast": fast}
        return given or Answer(values, files=(Path("out.gpkg"),))

    parameters = (
        Parameter("source", "source", "Source", "What to measure.", required=True),
        Parameter(
            "length_m",
            "number",
            "Length",
            "Length.",
            ("--length",),
            unit="m",
            minimum=0,
            maximum=9,
            default=2,
        ),
        Parameter("band_hz", "range", "Band", "Band.", ("--band",), unit="Hz", minimum=1),
        Parameter("side", "choice", "Side", "Side.", ("--side",), choices=("left", "right"), default="left"),
        Parameter("fast", "flag", "Fast", "Fast.", ("--fast",), default=False),
    )
    return Registry((Tool("measure", "Measure", "Measure it.", parameters, measure),))


def failing(error: BaseException) -> Registry:
    def act(_: Feedback) -> Answer | None:
        raise error

    return tools(act)


def run(*words: str, registry: Registry | None = None) -> int:
    return main(["measure", *words], tools=registry or tools())


def test_text_goes_to_stdout_with_the_files_written(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("a.gpkg", "--length", "3") == 0
    out, err = capsys.readouterr()
    assert out == "length 3.0 m\n\nWritten:\n  out.gpkg\n"
    assert err == ""


def test_every_kind_of_option_reaches_the_function(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("a.gpkg", "--band", "20-900", "--side", "right", "--fast", "--json") == 0
    assert json.loads(capsys.readouterr().out) == {
        "source": "a.gpkg",
        "length_m": 2,
        "band_hz": [20.0, 900.0],
        "side": "right",
        "fast": True,
    }


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["a.gpkg", "--length", "10"], "0 to 9 m"),
        (["a.gpkg", "--length", "long"], "long"),
        (["a.gpkg", "--band", "900-20"], "lower one first"),
        (["a.gpkg", "--side", "up"], "left, right"),
        ([], "SOURCE"),
        (["a.gpkg", "--what"], "--what"),
        (["a.gpkg", "--band", "3"], "--band"),
        (["a.gpkg", "--length", "-1"], "Length (--length): -1; give 0 to 9 m"),
        (["a.gpkg", "--length=-0.5"], "Length (--length): -0.5; give 0 to 9 m"),
        (["a.gpkg", "--band", "-5-100"], "-5-100; give two numbers"),
        (["a.gpkg", "--length", "--fast"], "Option '--length' requires an argument; --fast came instead"),
        (["a.gpkg", "--length"], "Option '--length' requires an argument"),
    ],
)
def test_wrong_use_ends_with_2_and_one_line(
    words: list[str], found: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(*words) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("netcorr: ")
    assert err.count("\n") == 1
    assert found in err


def test_unknown_command_ends_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["find"]) == 2
    assert "find" in capsys.readouterr().err


def test_no_command_shows_the_help_and_ends_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    assert "netcorr locate" in capsys.readouterr().err


@pytest.mark.parametrize("json_words", [[], ["--json"]])
def test_input_at_fault_ends_with_3(json_words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    error = LayerError("a.gpkg, layer mains", found="no CRS", remedy="give one with --crs")
    assert run("a.gpkg", *json_words, registry=failing(error)) == 3
    out, err = capsys.readouterr()
    assert err == "netcorr: a.gpkg, layer mains: no CRS; give one with --crs\n"
    if json_words:
        detail = json.loads(out)["error"]
        assert detail == {
            "kind": "LayerError",
            "message": str(error),
            "exit_code": 3,
            "item": "a.gpkg, layer mains",
            "found": "no CRS",
            "remedy": "give one with --crs",
        }
    else:
        assert out == ""


def test_json_of_wrong_use_is_json_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("a.gpkg", "--what", "--json") == 2
    assert json.loads(capsys.readouterr().out)["error"]["exit_code"] == 2


def test_result_below_the_threshold_is_printed_and_ends_with_4(capsys: pytest.CaptureFixture[str]) -> None:
    low = Answer({"length_m": 1}, exit_code=4, verdict="too short")
    assert run("a.gpkg", registry=tools(lambda _: low)) == 4
    out, err = capsys.readouterr()
    assert (out, err) == ("length 1 m\n", "netcorr: too short\n")


@pytest.mark.parametrize("error", [KeyboardInterrupt(), CancelledError()])
def test_cancelled_ends_with_130_and_no_traceback(
    error: BaseException, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("a.gpkg", registry=failing(error)) == 130
    out, err = capsys.readouterr()
    assert out == ""
    assert "cancelled" in err
    assert "Traceback" not in err


def test_fault_of_the_program_says_how_to_report_it(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("a.gpkg", registry=failing(ZeroDivisionError("by zero"))) == 1
    _, err = capsys.readouterr()
    assert "--debug" in err
    assert "Traceback" not in err
    assert run("a.gpkg", "--debug", registry=failing(ZeroDivisionError("by zero"))) == 1
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (UsageError("a", found="b", remedy="c"), 2),
        (ExportError("a", found="b", remedy="c"), 3),
        (NetcorrError("a", found="b", remedy="c"), 3),
        (OSError(28, "No space left on device", "result.gpkg"), 3),
        (OSError("odd"), 1),
        (MemoryError(), 1),
    ],
)
def test_exit_code_of_an_error(error: BaseException, code: int) -> None:
    assert explain(error)[0] == code


def test_disk_full_names_the_file() -> None:
    message = explain(OSError(28, "No space left on device", "result.gpkg"))[1]
    assert "result.gpkg" in message
    assert "No space left" in message


class Screen(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def speak(stream: io.StringIO, *, quiet: bool) -> str:
    feedback = TerminalFeedback(stream, quiet=quiet)
    feedback.progress(0.5, "half")
    feedback.message("a word")
    feedback.progress(0.75, "more")
    feedback.close()
    return stream.getvalue()


def test_bar_only_on_a_terminal() -> None:
    assert speak(io.StringIO(), quiet=False) == "a word\n"
    shown = speak(Screen(), quiet=False)
    assert "half" in shown
    assert "#" * 15 + "." * 15 in shown
    assert shown.endswith("\r")
    assert speak(Screen(), quiet=True) == ""


def test_bar_is_redrawn_only_when_it_changes() -> None:
    screen = Screen()
    feedback = TerminalFeedback(screen, quiet=False)
    for step in range(10_000):
        feedback.progress(step / 10_000, "work")
    assert screen.getvalue().count("\r") < 40


def test_log_goes_to_stderr_and_quiet_silences_it(capsys: pytest.CaptureFixture[str]) -> None:
    def act(feedback: Feedback) -> None:
        feedback.message("reading")

    assert run("a.gpkg", registry=tools(act)) == 0
    assert capsys.readouterr().err == "reading\n"
    assert run("a.gpkg", "--quiet", registry=tools(act)) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(("no_color", "coloured"), [("", True), ("1", False)])
def test_colour_only_on_a_terminal_that_allows_it(
    no_color: str, coloured: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("NO_COLOR", no_color)
    assert run("a.gpkg", "--length", "x") == 2
    assert ("\x1b[" in screen.getvalue()) == coloured


def test_option_help_tells_limits_and_default() -> None:
    length, band = tools()["measure"].parameters[1:3]
    assert option_help(length) == "Length. (0 to 9 m, 2 unless given.)"
    assert option_help(band) == "Band. (at least 1 Hz.)"


@pytest.mark.parametrize("words", [["--help"], ["-h"], *([tool, "--help"] for tool in TOOLS)])
def test_help_ends_with_0_and_names_exit_codes(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 0
    out = capsys.readouterr().out
    assert "130  cancelled" in out
    assert f"netcorr {words[0] if words[0] in TOOLS else 'locate'}" in out


@pytest.mark.parametrize("tool", TOOLS.values(), ids=lambda tool: tool.id)
def test_help_of_a_command_shows_every_parameter(tool: Tool, capsys: pytest.CaptureFixture[str]) -> None:
    main([tool.id, "--help"])
    out = " ".join(capsys.readouterr().out.split())
    for parameter in tool.parameters:
        assert (parameter.options[-1] if parameter.options else parameter.name.upper()) in out
        assert parameter.help.split(",")[0][:40] in out


@pytest.mark.parametrize("tool", TOOLS.values(), ids=lambda tool: tool.id)
def test_examples_in_the_help_can_be_parsed(tool: Tool) -> None:
    from netcorr.cli import commands_for

    for _, line in tool.examples:
        group = commands_for(TOOLS)
        command = group.get_command(click.Context(group), tool.id)
        assert command is not None
        values = command.make_context(tool.id, line.split()).params
        tool.check({name: values[name] for name in (p.name for p in tool.parameters)})


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"netcorr, version {__version__}\n"


@pytest.mark.parametrize("words", [["--help"], ["locate", "--help"], ["--version"]])
def test_help_loads_nothing_heavy(words: list[str]) -> None:
    code = (
        f"import sys; from netcorr.cli import main; main({words!r}); "
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "[]\n"


@pytest.mark.skipif(os.name == "nt", reason="signals of a console are another matter there")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_signal_cancels_a_real_process(number: signal.Signals, tmp_path: Path) -> None:
    script = tmp_path / "slow.py"
    script.write_text(
        "import signal, sys, time\n"
        "from netcorr.cli import main\n"
        "from netcorr.tools.declare import Tool\n"
        "from netcorr.tools.registry import Registry\n"
        # as from a terminal, also where the tests themselves run in the background
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "def slow(*, feedback):\n"
        "    print('started', flush=True)\n"
        "    time.sleep(30)\n"
        "sys.argv = ['netcorr', 'slow']\n"
        "sys.exit(main(tools=Registry((Tool('slow', 'Slow', 'Sleep.', (), slow),))))\n",
        encoding="utf-8",
    )
    child = subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "started\n"
    start = time.monotonic()
    child.send_signal(number)
    _, err = child.communicate(timeout=20)
    assert time.monotonic() - start < 2
    assert child.returncode == 130
    assert err == "netcorr: cancelled; nothing was left half written\n"


@pytest.mark.skipif(os.name == "nt", reason="no SIGPIPE there")
def test_reader_that_goes_away_is_no_fault() -> None:
    command = f"{sys.executable} -m netcorr.cli --help | true"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr
