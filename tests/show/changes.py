"""Changes of the explorer, one after another, in a browser that has loaded its module as `m`."""

import base64
from typing import Any

import numpy as np

CHANGES = """(data) => {
    const get = (key) => (key === "payload" ? data : {});
    const model = { get, set() {}, save_changes() {} };
    document.body.replaceChildren();
    const before = performance.now();
    m.render({ model, el: document.body });
    document.body.getBoundingClientRect();
    const whole = performance.now() - before;
    const slider = document.querySelector("input[type=range]");
    const shown = [];
    const times = Array.from({ length: 10 }, (_, i) => {
        slider.value = 100 + 5 * i;
        const start = performance.now();
        slider.dispatchEvent(new Event("input"));
        document.body.getBoundingClientRect();
        const took = performance.now() - start;
        const row = document.querySelector(".pk-table tbody tr");
        shown.push([row.cells[2].textContent, row.cells[4].textContent,
                    document.querySelector(".pk-chart svg").innerHTML]);
        return took;
    });
    return [times, shown, whole];
}"""
"""Moves the first price ten times: ms until table and chart are laid out anew, what they show, and
ms that the whole explorer took."""


def large_payload(builds: int = 12, games: int = 12, count: int = 4000) -> dict[str, Any]:
    """Make what the explorer of a large study is given."""
    draws = np.random.default_rng(1).normal(0, 0.05, (builds, games, count)).astype("<f4")
    return {
        "builds": [{"name": f"b{b}", "price": 400 + 50 * b, "reason": ""} for b in range(builds)],
        "workloads": [{"name": f"w{w}", "weight": 1} for w in range(games)],
        "fps": [[40.0 + 5 * b + w for w in range(games)] for b in range(builds)],
        "basis": [["measured"] * games] * builds,
        "passes": [[3] * games] * builds,
        "draws": base64.b64encode(draws.tobytes()).decode(),
        "count": count,
        "level": 0.9,
        "half": 0.5,
        "goals": [60],
        "currency": "EUR",
        "caption": "",
    }
