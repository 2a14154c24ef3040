"""The command `takewright`: finds the subcommand, imports only that, turns errors into exit codes."""

from __future__ import annotations

import importlib
import io
import os
import sys
import traceback
from typing import Any

import click

from runner.cli.wording import say
from runner.errors import ExitCode, TakewrightError

#: name of the command, module under runner.cli, one line of help; in the order in which they are shown
COMMANDS: tuple[tuple[str, str, str], ...] = (
    ("demo", "demo", "Play a built-in session on simulated machines; no hardware needed."),
    ("ports", "ports", "List the system's MIDI ports."),
    ("hear", "hear", "Print what comes in: find out what a pedal sends."),
    ("check", "check", "Say everything that is wrong with a session file."),
    ("plan", "plan", "Show everything that would be sent, in order."),
    ("run", "run", "Roll takes of a session."),
    ("tell", "tell", "Tell the running daemon what to do."),
    ("watch", "watch", "Show what the running daemon is doing, live."),
    ("takes", "takes", "List the takes on disk."),
    ("audit", "audit", "Say what happened in a take."),
    ("compare", "compare", "Say whether takes of a song sit together."),
    ("verify", "verify", "Hold a take's files against their checksums."),
    ("replay", "replay", "Follow a take's clock again, as recorded or with other settings."),
    ("draft", "draft", "Write a session from a Standard MIDI File."),
    ("bench", "bench", "Say whether this computer is good enough for the stage."),
    ("schema", "schema", "Print the JSON Schema of session files."),
)


class LazyGroup(click.Group):
    """A group that knows its commands' names and imports one only when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of `COMMANDS`."""
        return [name for name, _, _ in COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        for name, module, _ in COMMANDS:
            if name == cmd_name:
                command: click.Command = importlib.import_module(f"runner.cli.{module}").command
                return command
        return None

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or name the near matches."""
        if args and args[0] not in self.list_commands(ctx) and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], self.list_commands(ctx), n=2)
            hint = f"did you mean {' or '.join(near)}?" if near else "see takewright --help"
            ctx.fail(f"no command {args[0]!r}; {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, _, text in COMMANDS])


def _version(ctx: click.Context, _parameter: click.Parameter, wanted: bool) -> None:
    if not wanted or ctx.resilient_parsing:
        return
    from importlib.metadata import version

    click.echo(f"takewright {version('takewright')}")
    ctx.exit()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.option(
    "--version", is_flag=True, callback=_version, expose_value=False, is_eager=True, help="Show the version."
)
def takewright() -> None:
    """Runs the takes of a MIDI rig: clock, cues and parts in, a record of every take out.

    MIDI is no safety system: never drive pyrotechnics, rigging, lifts or lasers with it.
    """


def main(argv: list[str] | None = None) -> None:
    """Run the command line and exit with one of `runner.errors.ExitCode`."""
    sys.exit(run(argv))


def run(argv: list[str] | None = None) -> int:
    """Run the command line; return the exit code. No error of ours or the user's shows a traceback."""
    try:
        result: Any = takewright.main(args=argv, prog_name="takewright", standalone_mode=False)
    except click.ClickException as error:
        text = io.StringIO()
        error.show(file=text)
        say(text.getvalue().rstrip("\n"), sys.stderr)
        return int(ExitCode.USAGE)
    except (click.Abort, KeyboardInterrupt):
        return int(ExitCode.INTERRUPTED)
    except TakewrightError as error:
        say(f"takewright: {error}", sys.stderr)
        return int(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return int(ExitCode.OK)
    except OSError as error:
        say(f"takewright: the system refused: {error}", sys.stderr)
        return int(ExitCode.INTERNAL)
    except Exception as error:
        say(f"takewright: internal error: {type(error).__name__}: {error}", sys.stderr)
        if os.environ.get("TAKEWRIGHT_DEBUG"):
            traceback.print_exc()
        else:
            click.echo("This is a fault of Takewright; TAKEWRIGHT_DEBUG=1 shows where.", err=True)
        return int(ExitCode.INTERNAL)
    return int(result or 0)
