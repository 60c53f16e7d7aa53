"""texscan export: a result in open standards for other programs."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from texscan.commands.ending import ending_in_words


def export(
    folder: Annotated[Path, typer.Argument(metavar="RESULT_FOLDER", help="Folder that 'texscan score' wrote.")],
    to: Annotated[Path, typer.Option("--to", help="Folder for the exported files.")],
) -> None:
    """Write a result's height map as X3P and TIFF, and its zones in mm as JSON and SVG."""
    with ending_in_words():
        from texscan import __version__, files
        from texscan.scored_patch import zone_map_of
        from texscan.stored import read_patch
        from texscan.x3p_archive import x3p_bytes
        from texscan.zone_export import zones_dict, zones_svg

        patch = read_patch(folder)
        zones = zone_map_of(patch)
        name, step = str(patch.score.get("panel") or folder.name), patch.grid.step_mm
        written = datetime.fromtimestamp((folder / "relief.tif").stat().st_mtime, UTC).replace(microsecond=0)
        contents = {
            "heights.x3p": x3p_bytes(patch.height_mm, step, version=__version__, measured_at=written.isoformat()),
            "heights.tif": files.tiff_bytes(patch.height_mm, step),
            "zones.json": files.json_bytes(zones_dict(name, patch.grid, zones)),
            "zones.svg": zones_svg(name, patch.grid, zones).encode("utf-8", "xmlcharrefreplace"),
        }
        files.write_result(to, contents)
        for file in contents:
            print(to / file)
