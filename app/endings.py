"""How a command ends: its exit code, and one sentence instead of a traceback."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, NoReturn

import typer

from app import UseError

EXIT_READ: Final = 0
EXIT_REFUSED: Final = 1
EXIT_BAD_USE: Final = 2
EXIT_STOPPED: Final = 130
EXIT_PIPE_CLOSED: Final = 141


def say(text: str) -> None:
    """A sentence to the person, on stderr."""
    typer.echo(f"slubwise: {text}", err=True)


def fail(text: str, code: int = EXIT_BAD_USE) -> NoReturn:
    """End the command with a sentence."""
    say(text)
    raise typer.Exit(code)


@contextmanager
def clean_end() -> Iterator[None]:
    """Ctrl-C, a closed pipe and a full disk end a command without a traceback."""
    try:
        yield
        sys.stdout.flush()
    except UseError as error:
        fail(str(error))
    except KeyboardInterrupt:
        fail("stopped.", EXIT_STOPPED)
    except BrokenPipeError:
        # Whoever read our output has gone; without this Python complains once more at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(EXIT_PIPE_CLOSED) from None
    except OSError as error:
        fail(f"the output could not be written: {error.strerror or error}.")
