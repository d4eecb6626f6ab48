"""The explorer in a real JupyterLab in a real browser, and its state in Python."""

import json
import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.request

import nbformat
import pytest

import perfkit as pk
from perfkit.show.explorer import explore
from perfkit.show.widget import Explorer, choice_of
from tests.show.browser import chromium
from tests.show.hostile import BUILDS, GAMES, hostile_study


@pytest.fixture(scope="module")
def study_path(tmp_path_factory):
    return hostile_study(tmp_path_factory.mktemp("hostile") / "study").path


@pytest.fixture(scope="module")
def analysis(study_path):
    return pk.analyse(pk.load_study(study_path))


def test_an_untouched_widget_is_the_plain_table(analysis):
    explorer = Explorer(analysis)
    assert explorer.choice() == {}
    assert explorer.table().equals(explore(analysis))
    assert repr(explorer) == "Explorer of 4 machines over 4 games; run the cell to use it"


def test_the_state_of_the_browser_is_the_choice_of_python(analysis):
    explorer = Explorer(analysis)
    explorer.state = {
        "prices": [100, 550, 620, None],
        "weights": [1, 0, 3, 4],
        "compared": [True, False, True, True],
        "goal": 30,
    }
    assert explorer.choice() == {
        "prices": {BUILDS[0]: 100.0, BUILDS[1]: 550.0, BUILDS[2]: 620.0},
        "weights": dict(zip(GAMES, [1.0, 0.0, 3.0, 4.0], strict=True)),
        "builds": [BUILDS[0], BUILDS[2], BUILDS[3]],
        "goal_fps": 30.0,
    }
    assert list(explorer.table()["build"]) == [BUILDS[0], BUILDS[2], BUILDS[3]]
    assert explorer.table()["price"].iloc[0] == 100


def test_a_state_of_another_study_is_refused():
    payload = {"builds": [{"name": "a"}], "workloads": [{"name": "w"}]}
    state = {"prices": [1, 2], "weights": [1], "compared": [True], "goal": 60}
    with pytest.raises(ValueError, match="is longer than argument 1"):
        choice_of(payload, state)


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


class Lab:
    """A JupyterLab of this Python that keeps all its files in one folder."""

    def __init__(self, folder):
        self.root = folder / "root"
        self.token = secrets.token_hex(16)
        self.port = free_port()
        names = ["config", "data", "runtime", "settings", "workspaces", "ipython", "root"]
        for name in names:
            (folder / name).mkdir()
        (folder / "config/labconfig").mkdir()
        # without this, a prompt about news covers the first notebook
        (folder / "config/labconfig/page_config.json").write_text(
            json.dumps(
                {"disabledExtensions": {"@jupyterlab/apputils-extension:announcements": True}}
            )
        )
        places = {
            "JUPYTER_CONFIG_DIR": "config",
            "JUPYTER_DATA_DIR": "data",
            "JUPYTER_RUNTIME_DIR": "runtime",
            "JUPYTERLAB_SETTINGS_DIR": "settings",
            "JUPYTERLAB_WORKSPACES_DIR": "workspaces",
            "IPYTHONDIR": "ipython",
        }
        self.log = folder / "log"
        options = [
            "--no-browser", "--allow-root", "--ip=127.0.0.1", f"--port={self.port}",
            "--ServerApp.port_retries=0", f"--IdentityProvider.token={self.token}",
            f"--ServerApp.root_dir={self.root}",
        ]  # fmt: skip
        with open(self.log, "wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "jupyterlab", *options],
                stdout=log,
                stderr=subprocess.STDOUT,
                env=os.environ | {key: str(folder / name) for key, name in places.items()},
            )

    def ask(self, path):
        address = f"http://127.0.0.1:{self.port}/{path}"
        request = urllib.request.Request(address, headers={"Authorization": f"token {self.token}"})
        with urllib.request.urlopen(request, timeout=30) as answer:
            return json.load(answer)

    def wait(self):
        for _ in range(600):
            if self.process.poll() is not None:
                raise RuntimeError(f"JupyterLab ended: {self.log.read_text()[-2000:]}")
            try:
                self.ask("api/status")
            except OSError:
                time.sleep(0.2)
            else:
                return
        raise RuntimeError(f"JupyterLab did not answer: {self.log.read_text()[-2000:]}")

    def stop(self):
        self.process.terminate()
        self.process.wait(60)


@pytest.fixture(scope="module")
def lab(tmp_path_factory, study_path):
    lab = Lab(tmp_path_factory.mktemp("lab"))
    sources = [
        "import perfkit as pk\nfrom perfkit.show.widget import Explorer\n"
        f"explorer = Explorer(pk.analyse(pk.load_study({str(study_path)!r})))\nexplorer",
        "print('PRICE', explorer.table()['price'].iloc[0], explorer.choice().get('goal_fps'))",
    ]
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(s) for s in sources])
    notebook.metadata.kernelspec = {"name": "python3", "display_name": "Python 3"}
    nbformat.write(notebook, lab.root / "explore.ipynb")
    try:
        lab.wait()
        yield lab
    finally:
        lab.stop()


def session_is_ready(lab):
    sessions = lab.ask("api/sessions")
    return bool(sessions) and all(
        one["kernel"]["execution_state"] == "idle" and one["kernel"]["connections"] > 0
        for one in sessions
    )


@pytest.mark.browser
@pytest.mark.slow
def test_a_control_moved_in_jupyterlab_moves_table_chart_and_python(lab):
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1500, "height": 1100})
        outside = []
        page.on(
            "request",
            lambda request: (
                outside.append(request.url)
                if not request.url.startswith((f"http://127.0.0.1:{lab.port}/", "data:", "blob:"))
                else None
            ),
        )
        page.set_default_timeout(120_000)
        page.goto(f"http://127.0.0.1:{lab.port}/lab/tree/explore.ipynb?token={lab.token}")
        page.locator(".jp-Notebook").wait_for()
        for _ in range(600):
            if session_is_ready(lab):
                break
            page.wait_for_timeout(200)
        page.get_by_role("menuitem", name="Run", exact=True).click()
        page.get_by_text("Run All Cells", exact=True).first.click()
        slider = page.get_by_label("Price of bare", exact=True)
        slider.wait_for()
        row = page.locator(".pk-table tbody tr").first
        before = row.inner_text(), page.locator(".pk-chart svg").inner_html()
        assert slider.input_value() == "400"
        slider.focus()
        for _ in range(4):
            page.keyboard.press("ArrowRight")
        assert slider.input_value() == "420"
        page.get_by_label("Average to reach").select_option("30")
        after = row.inner_text(), page.locator(".pk-chart svg").inner_html()
        assert "420" in after[0]
        assert before[0] != after[0]
        assert before[1] != after[1]
        assert page.evaluate("window.hit") is None
        for name in BUILDS:
            assert page.locator(".pk-table").get_by_text(name, exact=True).count() == 1
        page.locator(".jp-CodeCell .jp-InputArea-editor").nth(1).click()
        page.keyboard.press("Shift+Enter")
        page.locator(".jp-OutputArea-output", has_text="PRICE 420.0 30.0").wait_for()
        assert outside == []
