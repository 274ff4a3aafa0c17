"""`benchd job photo`: photos of a job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import urlencode

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli

if TYPE_CHECKING:
    from benchd.jobs.photo import Photo

BY = "command line"
ADD_S = 60.0
"""How long the daemon may take: it makes one photo after the other."""

app = typer.Typer(help="Photos of a job.", no_args_is_help=True, rich_markup_mode=None)
ID = typer.Argument(help="The job.")
NUMBER = typer.Argument(help="Number of the photo, as `benchd job photo list` shows it.")


@app.command()
def add(
    id: Annotated[str, ID],
    file: Annotated[Path, typer.Argument(help="A camera's file: JPEG, PNG or WebP.")],
    caption: Annotated[str, typer.Option(help="What it shows.")] = "",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Add a photo. Example: benchd job photo add R-1042 board.jpg --caption "corroded around the charger chip"

    It is turned upright and made smaller; where and when it was taken, and with what, is left out.
    """
    from benchd.jobs.photo import MOST_FILE_BYTES, PhotoError, develop
    from benchd.store.errors import LogError
    from benchd.store.photo_rows import add_photo
    from benchd.web.record_bodies import PhotoQuery

    job_cli.checked(PhotoQuery, {"caption": caption})
    try:
        if file.stat().st_size > MOST_FILE_BYTES:
            out.fail(f"{file}: {file.stat().st_size} bytes; allowed are {MOST_FILE_BYTES}: make it smaller first")
        data = file.read_bytes()
    except OSError as e:
        out.fail(f"{file}: cannot be read: {e.strerror or e}")
    folder = job_cli.data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        path = f"jobs/{id}/photos?{urlencode({'caption': caption})}"
        with out.errors(daemon_link.DaemonSaid):
            record = daemon_link.call(url, "POST", path, raw=data, kind="image/jpeg", within_s=ADD_S)
    else:
        job_cli.log_there(folder)
        with out.errors(PhotoError, LogError), job_cli.the_log(folder, read_only=False) as log:
            record = _record(add_photo(log, id, develop(data), caption, BY))
    out.emit(record, f"job {id}: {_line(record)}", json_)


@app.command("list")
def list_(
    id: Annotated[str, ID],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """The photos of a job, oldest first. Example: benchd job photo list R-1042"""
    from benchd.store.photo_rows import photos

    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        found = photos(log, id)
        if not found and not json_:
            typer.echo(f"job {id} has no photos")
        for photo in found:
            record = _record(photo)
            out.emit(record, f"{job_cli.when(photo.t_ns)}  {_line(record)}", json_)


@app.command()
def save(
    id: Annotated[str, ID],
    number: Annotated[int, NUMBER],
    to: Annotated[Path, typer.Option("--output", "-o", help="The JPEG to write.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
) -> None:
    """Write a photo to a file. Example: benchd job photo save R-1042 7 -o board.jpg"""
    from benchd.store.photo_rows import picture

    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        jpeg = picture(log, id, number)
    if jpeg is None:
        out.fail(f"job {id} has no photo {number}; `benchd job photo list {id}` shows what it has")
    out.write(to, jpeg)


@app.command()
def remove(
    id: Annotated[str, ID],
    number: Annotated[int, NUMBER],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Remove a photo for good; the journal says that there was one. Example: benchd job photo remove R-1042 7"""
    from benchd.store.errors import LogError
    from benchd.store.photo_rows import remove_photo

    folder = job_cli.data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            record = daemon_link.call(url, "DELETE", f"jobs/{id}/photos/{number}")
    else:
        job_cli.log_there(folder)
        with out.errors(LogError), job_cli.the_log(folder, read_only=False) as log:
            record = _record(remove_photo(log, id, number, BY))
    out.emit(record, f"job {id}: photo {number} removed", json_)


def _record(photo: Photo) -> dict[str, Any]:
    import msgspec

    return dict(msgspec.to_builtins(photo))


def _line(p: dict[str, Any]) -> str:
    caption = f": {p['caption']}" if p["caption"] else ""
    return f"photo {p['id']}{caption}, {p['width']} x {p['height']}, {p['bytes'] / 1e3:.0f} kB"
