"""What an earlier report at the same place already holds, taken only where its manifest vouches."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perfkit.frames.summary import PassSummary
from perfkit.models.saved_fit import RememberedFit, kept_text, made_by
from perfkit.show.manifest import read_manifest

if TYPE_CHECKING:
    from perfkit.analysis import Analysis
    from perfkit.show.stills import Still

KEPT = "kept/measured.json"
"""File of a report with what was measured and predicted."""

KEPT_PICTURE = "kept/{}.png"
"""File of a report with the page's picture of a chart."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """The report that stands where a new one shall go.

    Attributes
    ----------
    folder : Path
    files : dict
        Entries of its manifest by name.
    """

    folder: Path
    files: dict[str, Any]

    def content(self, name: str) -> bytes | None:
        """Give the bytes of a file.

        Parameters
        ----------
        name : str
            As written in the manifest.

        Returns
        -------
        bytes or None
            None where there is no such file, or where it is not what the manifest says.
        """
        path, entry = self.folder / name, self.files.get(name)
        if not isinstance(entry, dict) or path.is_symlink():
            return None
        try:
            if path.stat().st_size != entry.get("bytes"):
                return None
            content = path.read_bytes()
        except OSError:
            return None
        same = hashlib.sha256(content).hexdigest() == entry.get("sha256")
        return content if same else None

    def kept(self) -> str:
        """Give what was measured and predicted, for :func:`perfkit.models.saved_fit.recall`."""
        content = self.content(KEPT)
        return "" if content is None else content.decode("utf-8", "replace")


def earlier_report(out: Path | str) -> Earlier | None:
    """Look at the report that a new one shall replace.

    Parameters
    ----------
    out : path-like
        OUT of the new report.

    Returns
    -------
    Earlier or None
        None where there is none, or where other code or other libraries made it.

    Examples
    --------
    >>> import tempfile
    >>> earlier_report(tempfile.mkdtemp()) is None
    True
    """
    folder = Path(out)
    try:
        manifest = read_manifest(folder)
    except OSError:
        return None
    if manifest is None or manifest.get("kind") != "report":
        return None
    found = Earlier(folder, manifest["files"])
    try:
        told = json.loads(found.kept() or "{}")
    except (ValueError, RecursionError):
        return None
    ours = isinstance(told, dict) and told.get("made_by") == made_by()
    return found if ours else None


def write_kept(analysis: "Analysis", folder: Path, figures: Sequence["Still"] = ()) -> None:
    """Keep what was measured and predicted, and the page's pictures, for the report to come.

    What cannot be written as plain text is not kept: that costs the next report time, not this one
    its result.

    Parameters
    ----------
    analysis : Analysis
        Asked by now for everything that tables, figures and page need.
    folder : Path
        Of the new report.
    figures : sequence of Still
    """
    if not analysis.key or not isinstance(analysis.model, RememberedFit):
        return
    summary = PassSummary(analysis.passes, analysis.flags)
    try:
        text = kept_text(analysis.key, summary, analysis.model)
    except TypeError:
        return
    path = folder / KEPT
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    for figure in figures:
        if figure.small:
            (folder / KEPT_PICTURE.format(figure.name)).write_bytes(figure.small)
