"""texscan schema: what score.json may hold, as JSON Schema."""

from __future__ import annotations

from texscan.commands.ending import ending_in_words


def schema() -> None:
    """Print the JSON Schema (2020-12) of score.json."""
    with ending_in_words():
        from texscan.files import read_schema

        print(read_schema("score"), end="")
