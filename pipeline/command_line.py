"""The command line: one verb per command, and every failure as one sentence with a non-zero exit.

Exit codes: 0 done, 1 the measured answer is "no" (a broken frame set, a lost guard), 2 wrong input, 130 interrupted.
"""

from __future__ import annotations

import errno
import importlib
import os
import sys
from collections.abc import Sequence

import click

from mission.errors import InputError

#: Verb -> one line of help, in the order in which a newcomer meets them. Each lives in pipeline/commands/<verb>.py and
#: is imported only when asked for, so that `panelscout brief` does not wait for torch.
VERBS = {
    "demo": "Do all of it on the shipped mission and say how it went.",
    "brief": "Say what a mission's camera will see, and what will not work.",
    "render": "Render frames with exact truth, on procedural ground or on photographs.",
    "inspect": "Check a frame set, or judge photographs against a mission's brief.",
    "fit": "Train a detector and the four readers into a bundle.",
    "read": "Find, read and place what lies in frames; match it to the wanted list.",
    "score": "Measure sightings and finds against the truth of a frame set.",
    "compare": "Compare scorecards of the same frame set, telling chance from difference.",
    "guard": "Say by exit code whether a change made a scorecard worse.",
}


class _Verbs(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return None
        return getattr(importlib.import_module(f"pipeline.commands.{cmd_name}"), f"{cmd_name}_command")

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Verbs"):
            formatter.write_dl(list(VERBS.items()))


@click.group(cls=_Verbs, context_settings={"help_option_names": ["--help", "-h"]})
@click.version_option(package_name="panelscout")
def panelscout() -> None:
    """From aerial frames of a field to ground finds that a human can confirm.

    The program advises; it never flies or releases anything, and a find stays unconfirmed until a human says so.
    """


def _say(sentence: str) -> None:
    click.echo(f"panelscout: {sentence}", err=True)


def _disk_full(error: BaseException) -> bool:
    return isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command line and return its exit code; nothing that a user can cause ends in a traceback."""
    try:
        outcome = panelscout.main(args=None if arguments is None else list(arguments), standalone_mode=False)
        return outcome if isinstance(outcome, int) else 0
    except InputError as error:
        _say(str(error))
        return 2
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except (click.Abort, KeyboardInterrupt):
        _say("Interrupted; nothing half-written was left under a final name.")
        return 130
    except click.ClickException as error:
        _say(error.format_message())
        return 2
    except MemoryError:
        _say(
            "The memory of this machine must hold the work. Got out of memory instead; try fewer workers or smaller frames."
        )
        return 2
    except OSError as error:
        if _disk_full(error):
            _say(f"The disk must have room for {error.filename or 'the output'}. Got a full disk instead.")
        else:
            _say(f"The file {error.filename or 'asked for'} must be usable. Got '{error.strerror or error}' instead.")
        return 2


def main() -> None:
    """Entry point of the ``panelscout`` program."""
    # albumentations otherwise asks the network for a newer version of itself when it is imported.
    os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")
    sys.exit(run())
