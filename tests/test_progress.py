"""Long work says how far it is: on a terminal, in a notebook, and not into a pipe."""

import os
import pty
import subprocess
import sys
import termios

import nbformat
from nbclient import NotebookClient

WORK = """
from perfkit.progress import terminal_progress
progress = terminal_progress()
progress.say("reading three passes")
seen = [item for item in progress.track("abc", 3, "passes")]
"""


def test_a_terminal_sees_a_bar_that_clears_itself() -> None:
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, 80))
    done = subprocess.Popen([sys.executable, "-c", WORK], stderr=theirs)
    os.close(theirs)
    text = b""
    while True:
        try:
            part = os.read(ours, 4096)
        except OSError:
            break
        if not part:
            break
        text += part
    os.close(ours)
    assert done.wait() == 0
    assert b"reading three passes" in text
    assert b"passes:" in text
    assert b"0/3" in text
    assert text.split(b"\r")[-2].strip() == b""


def test_a_pipe_gets_lines_without_a_bar() -> None:
    done = subprocess.run([sys.executable, "-c", WORK], capture_output=True, text=True, check=True)
    assert done.stderr == "reading three passes\n"


def test_a_notebook_shows_a_bar() -> None:
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(WORK)])
    NotebookClient(book, timeout=120).execute()
    kinds = {key for output in book.cells[0].outputs for key in output.get("data", {})}
    assert "application/vnd.jupyter.widget-view+json" in kinds
