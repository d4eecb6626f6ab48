"""What a finished output folder says about itself, and whether that is still true."""

import hashlib
import json
import os
import platform
from importlib import metadata
from pathlib import Path
from typing import Any

from perfkit.errors import OutputError
from perfkit.models.saved_fit import made_by

MANIFEST = "manifest.json"
_LARGEST = 32 * 2**20
_LIBRARIES = ("perfkit", "matplotlib", "numpy", "pandas", "pyarrow", "scipy", "statsmodels")
_VISITORS = {".DS_Store", "Thumbs.db", "desktop.ini", ".ipynb_checkpoints"}


def versions() -> dict[str, str]:
    """Versions of what the numbers and pictures depend on.

    Returns
    -------
    dict of str to str
        Name to version, Python first.

    Examples
    --------
    >>> "numpy" in versions()
    True
    """
    return {"python": platform.python_version()} | {
        name: metadata.version(name) for name in _LIBRARIES
    }


def files_below(folder: Path) -> list[str]:
    """Name every file below a folder, as written in its manifest.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    list of str
        Relative names with forward slashes, sorted. The manifest itself is left out, and what file
        browsers and notebooks leave where they have been.

    Raises
    ------
    OSError
        When a folder below cannot be read.
    """

    def refuse(error: OSError) -> None:
        raise error

    found = []
    for here, folders, files in os.walk(folder, onerror=refuse):
        folders[:] = [name for name in folders if name not in _VISITORS]
        links = [name for name in folders if os.path.islink(os.path.join(here, name))]
        below = Path(here).relative_to(folder)
        found += [(below / name).as_posix() for name in [*files, *links] if name not in _VISITORS]
    return sorted(name for name in found if name != MANIFEST)


def write_manifest(folder: Path, kind: str) -> None:
    """Write the manifest of a folder that is complete.

    Parameters
    ----------
    folder : Path
    kind : str
        What the folder is, such as ``"report"``.

    Raises
    ------
    OSError
        When a file cannot be read or the manifest cannot be written.
    """
    content = {
        "made_by": "perfkit",
        "format": 1,
        "kind": kind,
        "versions": versions(),
        "code": made_by(),
        "files": {name: _entry(folder / name) for name in files_below(folder)},
    }
    text = json.dumps(content, indent=1, ensure_ascii=True) + "\n"
    with open(folder / MANIFEST, "w", encoding="utf-8") as file:
        file.write(text)


def read_manifest(folder: Path) -> dict[str, Any] | None:
    """Read what a folder says about itself.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    dict or None
        None unless the folder holds a manifest that perfkit wrote.

    Raises
    ------
    OSError
        When there is one that cannot be read.
    """
    path = folder / MANIFEST
    try:
        if path.is_symlink() or path.stat().st_size > _LARGEST:
            return None
        content = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError, ValueError, RecursionError):
        return None
    known = isinstance(content, dict) and content.get("made_by") == "perfkit"
    return content if known and isinstance(content.get("files"), dict) else None


def changed_files(folder: Path) -> list[str]:
    """Files of a finished folder that no longer are what its manifest says.

    Parameters
    ----------
    folder : Path
        The output of an earlier run.

    Returns
    -------
    list of str
        Names of changed, missing and added files, sorted; empty when the folder is whole.

    Raises
    ------
    OutputError
        When the folder holds no manifest of perfkit.
    """
    manifest = read_manifest(folder)
    if manifest is None:
        raise OutputError(f"{folder} holds no {MANIFEST} of perfkit; name the output of a report")
    told: dict[str, Any] = manifest["files"]
    there = set(files_below(folder))
    same = {name for name in there & set(told) if _entry(folder / name) == told[name]}
    return sorted((there | set(told)) - same)


def _entry(path: Path) -> dict[str, Any]:
    if path.is_symlink() or not path.is_file():
        return {}
    with open(path, "rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return {"bytes": path.stat().st_size, "sha256": digest}
