"""The curated notebooks, run on any study; the study's path is the only thing that goes in."""

import asyncio
import importlib
import os
import sys
import tempfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from perfkit.errors import MissingExtra, PerfkitError
from perfkit.progress import QUIET, Progress

if TYPE_CHECKING:
    from nbformat import NotebookNode

PARAMETERS = "parameters"
"""Tag of the one cell after which the study's path is put in."""

AT_ONCE = 2
"""Notebooks that run at the same time."""

_WIDGET = "application/vnd.jupyter.widget-view+json"


def notebook_files() -> list[Path]:
    """Find the curated notebooks, in an installed wheel or in a source tree.

    Returns
    -------
    list of Path
        In the order in which they are read.

    Raises
    ------
    FileNotFoundError
        They did not come with this installation.

    Examples
    --------
    >>> notebook_files()[0].name
    '1_what_was_measured.ipynb'
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "notebooks", package.parent / "notebooks"):
        found = sorted(folder.glob("*.ipynb"))
        if found:
            return found
    raise FileNotFoundError("the notebooks did not come with this installation of perfkit")


def run_notebooks(study_path: Path | str, folder: Path, progress: Progress = QUIET) -> list[Path]:
    """Run every notebook on a study and keep the executed copies.

    Parameters
    ----------
    study_path : Path or str
        Folder of the study.
    folder : Path
        Where the executed copies go.
    progress : Progress, optional

    Returns
    -------
    list of Path
        The copies.

    Raises
    ------
    MissingExtra
        The extra ``lab`` is not installed.
    PerfkitError
        A cell raised; the notebook, the error and its message are named.
    """
    _, nbformat = _lab()
    study, files = str(Path(study_path).resolve()), notebook_files()
    books = [nbformat.read(file, as_version=4) for file in files]
    executed = _run_all(books, study, folder, [file.name for file in files])
    written = []
    for file, book in zip(progress.track(files, len(files), "notebooks"), executed, strict=True):
        written.append(folder / file.name)
        with open(written[-1], "w", encoding="utf-8") as copy:
            nbformat.write(book, copy)
    return written


def _run_all(
    books: list["NotebookNode"], study: str, folder: Path, names: list[str]
) -> Iterator["NotebookNode"]:
    """Run notebooks, a few at once, and yield them in order; leave no process behind."""
    running: list[Any] = []
    with ThreadPoolExecutor(AT_ONCE) as pool:
        futures = [
            pool.submit(_run, book, study, folder, name, running)
            for book, name in zip(books, names, strict=True)
        ]
        try:
            yield from (future.result() for future in futures)
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
            for client in running:
                _kill(client)


def run_notebook(
    notebook: "NotebookNode", study_path: str, folder: Path, name: str
) -> "NotebookNode":
    """Run one notebook on a study, in a fresh process of this Python.

    Parameters
    ----------
    notebook : NotebookNode
        With exactly one cell tagged ``parameters``; it is changed in place.
    study_path : str
    folder : Path
        Where the notebook works.
    name : str
        For messages.

    Returns
    -------
    NotebookNode
        The executed notebook, without anything that differs from run to run.

    Raises
    ------
    PerfkitError
        A cell raised, or the parameters cell is missing.
    """
    return next(_run_all([notebook], study_path, folder, [name]))


def _run(
    notebook: "NotebookNode", study_path: str, folder: Path, name: str, running: list[Any]
) -> "NotebookNode":
    nbclient, _ = _lab()
    put_study(notebook, study_path)
    with tempfile.TemporaryDirectory() as own:
        client = nbclient.NotebookClient(
            notebook,
            kernel_manager_class=_this_python(Path(own)),
            timeout=None,
            record_timing=False,
            store_widget_state=False,
            resources={"metadata": {"path": str(folder)}},
        )
        running.append(client)
        try:
            asyncio.run(client.async_execute(env={**os.environ, "IPYTHONDIR": own}))
        except nbclient.exceptions.CellExecutionError as error:
            raise PerfkitError(f"{name}: {error.ename}: {error.evalue}") from error
        finally:
            running.remove(client)
    for cell in notebook.cells:
        for output in cell.get("outputs", []):
            output.get("data", {}).pop(_WIDGET, None)
    return notebook


def _kill(client: Any) -> None:
    provisioner = client.km.provisioner if client.km is not None else None
    if provisioner is not None and provisioner.process is not None:
        provisioner.process.kill()


def put_study(notebook: "NotebookNode", study_path: str) -> None:
    """Put a cell with the study's path after the one tagged ``parameters``.

    Parameters
    ----------
    notebook : NotebookNode
        Changed in place.
    study_path : str
        Written as a Python literal, whatever it holds: it can be nothing but a text.

    Raises
    ------
    PerfkitError
        Not exactly one cell has the tag.
    """
    _, nbformat = _lab()
    places = [
        place
        for place, cell in enumerate(notebook.cells)
        if PARAMETERS in cell.metadata.get("tags", [])
    ]
    if len(places) != 1:
        raise PerfkitError(f"{len(places)} cells are tagged {PARAMETERS!r}; there must be one")
    cell = nbformat.v4.new_code_cell(f"study_path = {study_path!r}", id="study")
    notebook.cells.insert(places[0] + 1, cell)


def _lab() -> tuple[Any, Any]:
    try:
        return importlib.import_module("nbclient"), importlib.import_module("nbformat")
    except ModuleNotFoundError as error:
        raise MissingExtra(
            "perfkit notebooks needs the extra `lab`: pip install 'perfkit[lab]'"
        ) from error


def _this_python(own: Path) -> Any:
    """Make a manager of kernels of this very Python, with sockets in a folder of its own."""
    from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
    from jupyter_client.manager import AsyncKernelManager

    class ThisPython(KernelSpecManager):  # type: ignore[misc, unused-ignore]
        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
            argv = [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"]
            return KernelSpec(argv=argv, display_name=kernel_name, language="python")

    class Manager(AsyncKernelManager):  # type: ignore[misc, unused-ignore]
        def __init__(self, **more: Any) -> None:
            more |= {"transport": "ipc", "connection_file": str(own / "kernel.json")}
            super().__init__(kernel_spec_manager=ThisPython(), **more)

    return Manager
