"""The command line, built from `netcorr.tools`: the only place that prints.

Data go to stdout; progress, log and errors to stderr. With ``--json``, stdout holds exactly one JSON
document: the result, or ``{"error": ...}``.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import traceback
from collections.abc import Mapping
from functools import partial
from types import FrameType
from typing import Any

import click

from netcorr import __version__
from netcorr.cli_feedback import EventFeedback, TerminalFeedback
from netcorr.errors import CancelledError, NetcorrError
from netcorr.tools import TOOLS
from netcorr.tools.declare import Tool, ToolResult
from netcorr.tools.parameter import NUMERIC, Parameter

EXIT_CODES = """\b
Exit codes:
  0    done
  1    a fault of netcorr itself
  2    the command cannot be right as it was given
  3    an input is at fault; the message names file, layer and feature or row
  4    done, but the result is below the threshold that was asked for, or what was checked is not fit
  130  cancelled"""


INTRODUCTION = """Find buried water leaks on your own map, from recordings made at the same time.

A leak in a pressurised main makes noise that runs along the pipe both ways. netcorr compares the
recordings of two or more loggers, takes the pipe between them from your map, and says where along it the
leak is and how sure that is.

\b
Start here:
  netcorr inspect town.gpkg
  netcorr check town.gpkg -o check.gpkg
  netcorr locate town.gpkg deployments.csv -o result.gpkg

Before anyone digs: locate all other utilities first, mind traffic, confined spaces and pressure. A
licensed crew and the local rules decide."""


_SETTINGS = {"help_option_names": ["-h", "--help"], "max_content_width": 100}


def _click_parameter(parameter: Parameter) -> click.Parameter:
    """Return the face of one declared parameter; its value is checked by the declaration, not here."""
    if parameter.kind == "files_in":
        return click.Argument(
            [parameter.name], type=str, metavar=f"{parameter.title.upper()}...", nargs=-1, required=True
        )
    if not parameter.options:
        return click.Argument([parameter.name], type=str, metavar=parameter.name.upper())
    return click.Option(
        [*parameter.options, parameter.name],
        type=_Value() if parameter.kind != "flag" else bool,
        is_flag=True if parameter.kind == "flag" else None,  # False would take -1 for another option
        metavar=_metavar(parameter),
        required=parameter.required,
        help=option_help(parameter),
    )


class _Value(click.types.StringParamType):
    """A word after an option; the next option in its place means that it was forgotten."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Take the word as it is; the declaration checks what it means."""
        options = [] if ctx is None else [name for each in ctx.command.params for name in each.opts]
        if value in options and param is not None:
            raise click.BadOptionUsage(
                param.opts[-1], f"Option '{param.opts[-1]}' requires an argument; {value} came instead.", ctx
            )
        return str(value)


def _metavar(parameter: Parameter) -> str | None:
    if parameter.kind == "flag":
        return None
    if parameter.kind == "choice":
        return "|".join(parameter.choices)
    if parameter.kind == "range":
        return "LOW-HIGH"
    if parameter.kind.startswith("folder"):
        return "FOLDER"
    return "NUMBER" if parameter.kind in NUMERIC else "FILE" if "file" in parameter.kind else "TEXT"


def option_help(parameter: Parameter) -> str:
    """Help of an option: its sentence, limits and default."""
    value = (
        f"{parameter.default:g}" if parameter.kind in NUMERIC[:2] and parameter.default is not None else ""
    )
    default = f"{value or parameter.default} unless given" if parameter.default not in (None, False) else ""
    extra = ", ".join(part for part in (parameter.limits, default) if part)
    return f"{parameter.help} ({extra}.)" if extra else parameter.help


def _tool_help(tool: Tool) -> str:
    given = [p for p in tool.parameters if not p.options]
    words = "\b\n" + "\n".join(f"{p.name.upper():<12} {p.title}." for p in given)
    where = "\n\n".join(f"{p.name.upper()}: {p.help}" for p in given)
    examples = "\n\n".join(f"\b\n{text}\n  netcorr {tool.id} {line}" for text, line in tool.examples)
    parts = [tool.purpose, tool.description, where or words, "Examples:" if examples else "", examples]
    return "\n\n".join(part for part in parts if part)


def _command(tool: Tool) -> click.Command:
    common: list[click.Parameter] = [
        click.Option(["--json", "as_json"], is_flag=True, help="Write the result as one JSON document."),
        click.Option(
            ["--events"],
            is_flag=True,
            help="For programs: one JSON event a line (progress, message, result, error) on stdout; the line "
            "'cancel' on stdin stops it.",
        ),
        click.Option(["-q", "--quiet"], is_flag=True, help="Show neither progress nor log."),
        click.Option(["--debug"], is_flag=True, help="Show the traceback of any error."),
    ]
    return click.Command(
        tool.id,
        params=[*map(_click_parameter, tool.parameters), *common],
        callback=partial(_run, tool),
        help=_tool_help(tool),
        short_help=tool.purpose,
        epilog=EXIT_CODES,
        context_settings=_SETTINGS,
    )


def _run(tool: Tool, /, *, as_json: bool, events: bool, quiet: bool, debug: bool, **values: Any) -> int:
    del debug  # read by `main`, which handles every error
    teller = EventFeedback(sys.stdout) if events else None
    feedback = teller or TerminalFeedback(sys.stderr, quiet=quiet)
    if teller:
        teller.event("start", tool=tool.id, version=__version__)
        teller.obey(sys.stdin)
    try:
        result = tool.run(values, feedback=feedback)
    except KeyboardInterrupt:
        raise CancelledError() from None
    finally:
        feedback.close()
    if teller:
        teller.event("result", **_result_event(result))
        return result.exit_code
    _print_result(result, as_json=as_json)
    if result.verdict:
        _complain(result.verdict)
    return result.exit_code


def _result_event(result: ToolResult) -> dict[str, Any]:
    """What a program learns of a result: in words, for machines, and the files."""
    return {
        "text": result.text().rstrip("\n"),
        "result": result.as_dict(),
        "files": [str(path) for path in result.files],
        "exit_code": result.exit_code,
        "verdict": result.verdict,
    }


def _print_result(result: ToolResult, *, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(result.as_dict(), indent=2, ensure_ascii=False, allow_nan=False))
        return
    click.echo(result.text().rstrip("\n"))
    if result.files:
        click.echo("\nWritten:")
    for path in result.files:
        click.echo(f"  {path}")


def _complain(text: str) -> None:
    colour = sys.stderr.isatty() and not os.environ.get("NO_COLOR")
    click.echo(
        click.style("netcorr:", fg="red", bold=True) + f" {text}" if colour else f"netcorr: {text}", err=True
    )


class _Commands(click.Group):
    """One command for each tool; those of other packages are looked for only when needed."""

    def __init__(self, tools: Mapping[str, Tool]) -> None:
        super().__init__(
            "netcorr",
            help=INTRODUCTION,
            epilog=EXIT_CODES,
            context_settings=_SETTINGS,
        )
        self._tools = tools

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Ids of the tools, in the order in which a user meets them."""
        del ctx
        return list(self._tools)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Make the command of one tool."""
        del ctx
        tool = self._tools.get(cmd_name)
        return None if tool is None else _command(tool)


def commands_for(tools: Mapping[str, Tool]) -> click.Group:
    """Command line of a set of tools.

    Parameters
    ----------
    tools : mapping of str to Tool
        Tools by id.

    Returns
    -------
    click.Group
        One command for each tool.
    """
    return click.version_option(__version__, prog_name="netcorr")(_Commands(tools))


def _error_dict(error: BaseException, *, exit_code: int, message: str) -> dict[str, Any]:
    detail = {"kind": type(error).__name__, "message": message, "exit_code": exit_code}
    if isinstance(error, NetcorrError):
        detail |= {"item": error.item, "found": error.found, "remedy": error.remedy}
    return {"error": detail}


def explain(error: BaseException) -> tuple[int, str]:
    """Exit code and message for an error.

    Parameters
    ----------
    error : BaseException
        What was raised.

    Returns
    -------
    (int, str)
        Exit code, and one message for the user.
    """
    if isinstance(error, (KeyboardInterrupt, click.Abort, CancelledError)):
        return CancelledError.exit_code, "cancelled; nothing was left half written"
    if isinstance(error, NetcorrError):
        return error.exit_code, str(error)
    if isinstance(error, click.UsageError):
        hint = f"; see '{error.ctx.command_path} --help'" if error.ctx else ""
        return 2, error.format_message().rstrip(".") + hint
    if isinstance(error, OSError) and error.filename:
        return (
            3,
            f"{error.filename}: {error.strerror}; check the file, its folder and the space left on the disk",
        )
    return 1, (
        f"a fault of netcorr itself, {type(error).__name__}: {error}; "
        "run it again with --debug and report the traceback"
    )


def _stop(_number: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def main(arguments: list[str] | None = None, *, tools: Mapping[str, Tool] = TOOLS) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str, optional
        Words after the program's name; those of the process when not given.
    tools : mapping of str to Tool
        Tools by id.

    Returns
    -------
    int
        Exit code.
    """
    words = sys.argv[1:] if arguments is None else arguments
    if arguments is None:
        signal.signal(signal.SIGTERM, _stop)
    try:
        code = commands_for(tools).main(words, prog_name="netcorr", standalone_mode=False)
        return int(code or 0)
    except BrokenPipeError:  # the reader of our output went away: no one is left to tell
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except (Exception, KeyboardInterrupt) as error:
        return _report(error, words)


def _report(error: BaseException, words: list[str]) -> int:
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        click.echo(error.format_message(), err=True)
        return 2
    if "--debug" in words:
        traceback.print_exception(error)
    code, message = explain(error)
    if "--events" in words:
        EventFeedback(sys.stdout).event(
            "error", **_error_dict(error, exit_code=code, message=message)["error"]
        )
        return code
    if "--json" in words:
        click.echo(json.dumps(_error_dict(error, exit_code=code, message=message), indent=2))
    _complain(message)
    return code


if __name__ == "__main__":
    sys.exit(main())
