"""Writes files whole or not at all, and refuses a bad place for them before any work begins."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def write_whole(target: Path, content: bytes) -> None:
    """Writes a file so that a reader sees the old one or the new one, never a part.

    Raises:
        OSError: if the folder cannot be written.
    """
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        part.chmod(0o644)
        part.replace(target)
    except BaseException as error:
        part.unlink(missing_ok=True)
        if isinstance(error, OSError) and error.filename is None:  # of a file that is open already
            error.filename = str(target)
        raise


def write_new(target: Path, content: bytes) -> None:
    """Writes a file that is not there yet.

    Raises:
        FileExistsError: if it is there.
    """
    with target.open("xb") as stream:
        stream.write(content)


def refuse_bad_places(machine: Path, *targets: tuple[str, Path | None]) -> None:
    """Refuses places where a file cannot be written, before the work begins and not after it.

    Args:
        machine: the machine file, which must not be written over.
        targets: the option that names the file, and the file if it is asked for.

    Raises:
        UsageError: if there is no such folder, it cannot be written to, a folder has the file's name,
            or one file is asked for twice.
    """
    from stillgate.controller.errors import UsageError

    seen: dict[Path, str] = {machine.resolve(): "the machine file"}
    for option, target in targets:
        if target is None:
            continue
        if not target.parent.is_dir():
            raise UsageError(f"{option}: there is no folder '{target.parent}'; make it first")
        if target.is_dir():
            raise UsageError(f"{option}: '{target}' is a folder; give the name of a file")
        if not os.access(target.parent, os.W_OK):
            raise UsageError(f"{option}: the folder '{target.parent}' cannot be written to")
        place = target.resolve()
        if place in seen:
            raise UsageError(f"{option}: '{target}' is {seen[place]} too; give another name")
        seen[place] = option


def refuse_bad_folder(option: str, folder: Path | None) -> None:
    """Refuses a place for a folder of files, which is made if it is not there.

    Raises:
        UsageError: if something else than a folder is in its place.
    """
    from stillgate.controller.errors import UsageError

    for place in () if folder is None else (folder, *folder.parents):
        if place.exists() and not place.is_dir():
            raise UsageError(f"{option}: '{place}' is a file; give the name of a folder")
