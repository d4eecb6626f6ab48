"""Where the invented demo study is, in a source tree and in an installed wheel."""

from pathlib import Path


def find_demo() -> Path:
    """Folder of the demo study that comes with perfkit.

    Returns
    -------
    Path
        ``perfkit/demo`` of an installed wheel, else ``data/demo`` of the source tree.

    Raises
    ------
    FileNotFoundError
        Neither is there.

    Examples
    --------
    >>> (find_demo() / "study.toml").is_file()
    True
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "demo", package.parent / "data" / "demo"):
        if (folder / "study.toml").is_file():
            return folder
    raise FileNotFoundError(
        "the demo study did not come with this installation; "
        "give the folder of a study of your own, or run from a clone of perfkit"
    )
