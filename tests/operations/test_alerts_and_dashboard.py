"""Every alert and panel asks for what the services expose, and every alert has its page."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
import yaml
from prometheus_client.metrics import MetricWrapperBase

from services.runtime import metrics
from services.runtime.health import HealthServer
from services.runtime.settings import HealthSettings

FOLDER = Path(__file__).parents[2] / "services" / "runtime" / "operations"
RULES: list[dict[str, Any]] = [
    rule
    for group in yaml.safe_load((FOLDER / "alerts.yaml").read_text())["groups"]
    for rule in group["rules"]
]
PANELS: list[dict[str, Any]] = json.loads((FOLDER / "dashboard.json").read_text())["panels"]
RUNBOOK = (FOLDER / "RUNBOOK.md").read_text()

# Made by Prometheus itself for each target: prometheus.io/docs/concepts/jobs_instances.
OF_PROMETHEUS = {"up": {"job", "instance"}}
# The words of the query language that are used: prometheus.io/docs/prometheus/latest/querying.
WORDS = {
    "and", "by", "changes", "delta", "histogram_quantile", "increase", "max", "min", "rate", "sum",
    "time",
}  # fmt: skip
NAME = re.compile(r"[a-z_][a-z0-9_]*")
SELECTOR = re.compile(r"([a-z_][a-z0-9_]*)\{([^}]*)\}")


@pytest.fixture(scope="module")
def exposed() -> dict[str, set[str]]:
    """The names and labels of all that a service's ``/metrics`` names, read over HTTP."""
    server = HealthServer(HealthSettings(port=0), 0, healthy=dict, ready=dict)
    server.start()
    with urlopen(f"http://127.0.0.1:{server.port}/metrics") as answer:
        text = answer.read().decode()
    server.stop()
    labels = {
        one._name: set(one._labelnames)
        for one in vars(metrics).values()
        if isinstance(one, MetricWrapperBase)
    }
    found: dict[str, set[str]] = {}
    for name, kind in re.findall(r"^# TYPE (\S+) (\S+)$", text, re.MULTILINE):
        own = labels.get(name.removesuffix("_total"), set()) | {"job", "instance"}
        suffixes = ("_bucket", "_sum", "_count") if kind == "histogram" else ("",)
        found |= {f"{name}{suffix}": own | {"le"} for suffix in suffixes}
    return found | OF_PROMETHEUS


def asked(expression: str) -> tuple[set[str], list[tuple[str, set[str]]]]:
    """Give the names that an expression asks for, and the labels that it selects by."""
    selected = [
        (name, set(re.findall(r"([a-z_]+)\s*[=!]", inside)))
        for name, inside in SELECTOR.findall(expression)
    ]
    bare = re.sub(r"\{[^}]*\}|\[[^]]*\]", " ", expression)
    grouped = re.findall(r"\bby \(([^)]*)\)", bare)
    bare = re.sub(r"\bby \([^)]*\)", " ", bare)
    names = {name for name in NAME.findall(re.sub(r"\d[\d.e]*", " ", bare)) if name not in WORDS}
    by = {one.strip() for part in grouped for one in part.split(",")}
    return names, [*selected, *((name, by) for name in names)]


EXPRESSIONS = [(rule["alert"], rule["expr"]) for rule in RULES] + [
    (panel["title"], target["expr"]) for panel in PANELS for target in panel["targets"]
]


@pytest.mark.parametrize(("title", "expression"), EXPRESSIONS)
def test_every_expression_asks_for_what_is_exposed(
    title: str, expression: str, exposed: dict[str, set[str]]
) -> None:
    names, labels = asked(expression)

    assert names, title
    assert names <= exposed.keys(), title
    for name, own in labels:
        assert own <= exposed[name], (title, name)


def test_an_expression_that_asks_for_a_name_of_nobody_is_found_out(
    exposed: dict[str, set[str]],
) -> None:
    names, _ = asked('max by (queue) (gomphosis_queue_length{queue="x"}) > 5')

    assert names == {"gomphosis_queue_length"}
    assert not names <= exposed.keys()


def test_every_metric_of_ours_stands_on_the_dashboard(exposed: dict[str, set[str]]) -> None:
    shown = {name for _, expression in EXPRESSIONS for name in asked(expression)[0]}

    ours = {name for name in exposed if name.startswith("gomphosis_")}
    assert {name for name in ours if not name.endswith(("_sum", "_count", "_created"))} <= shown


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: str(rule["alert"]))
def test_every_alert_has_a_section_that_says_what_it_means_and_what_to_do(
    rule: dict[str, Any],
) -> None:
    name = rule["alert"]
    assert rule["annotations"]["runbook"] == f"RUNBOOK.md#{name.lower()}"
    sections = dict(re.findall(r"^### (\w+)\n(.*?)(?=^##|\Z)", RUNBOOK, re.MULTILINE | re.DOTALL))
    for part in ("**Means.**", "**Patients and money.**", "**Do.**", "**Over when.**"):
        assert part in sections[name], part
    assert rule["labels"]["severity"] in {"page", "ticket"}


def test_prometheus_itself_accepts_the_rules() -> None:
    """By promtool, of Debian's package prometheus, where it is installed."""
    promtool = shutil.which("promtool")
    if promtool is None:
        pytest.skip("no promtool here: apt-get install prometheus")
    told = subprocess.run(
        [promtool, "check", "rules", str(FOLDER / "alerts.yaml")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 0, told.stdout + told.stderr
