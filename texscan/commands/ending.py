"""How a command ends: our errors as their sentence and exit code."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager

import typer

from texscan.errors import InputError, StorageError, is_no_memory

REFUSED, NO_STORAGE, BUG, INTERRUPTED = 1, 3, 70, 130  # 2, a wrong command line, is the parser's own


@contextmanager
def ending_in_words() -> Iterator[None]:
    """Our errors become their sentence and exit code; anything else is a bug and keeps its traceback."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:  # whoever read the output has seen enough, as `| head` does
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except InputError as error:
        _say_and_exit(str(error), REFUSED)
    except StorageError as error:
        _say_and_exit(str(error), NO_STORAGE)
    except KeyboardInterrupt:
        _say_and_exit("Interrupted; nothing was half-written.", INTERRUPTED)
    except (typer.Exit, typer.Abort, typer.BadParameter):
        raise
    except Exception as error:
        if is_no_memory(error):
            _say_and_exit("There is not enough memory. Close other programs, or use smaller photos.", NO_STORAGE)
        traceback.print_exc()
        raise SystemExit(BUG) from None


def _say_and_exit(sentence: str, code: int) -> None:
    print(f"texscan: {sentence}", file=sys.stderr)
    raise SystemExit(code)
