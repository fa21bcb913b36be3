"""Whatever stands in a file, the loader answers with findings or a site, never with a traceback."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from console.site import hardware, models, props
from console.site.base import FileModel, file_keys
from console.site.loading import check, load
from console.site.problems import Severity, SiteProblems
from console.site.shipped import shipped

BENCH = shipped("bench").read_text(encoding="utf-8")
LINES = BENCH.splitlines()
KEYS = sorted(
    {
        key
        for module in (models, hardware, props)
        for thing in vars(module).values()
        if isinstance(thing, type) and issubclass(thing, FileModel)
        for key in file_keys(thing)
    }
)
QUANTITIES = ["350 ms", "8 s", "60 psi", "1.5 in", "nan s", "1e999 s", "1/0 in", "9" * 30]
NAMES = ["lid", "bench", "cable", "lift", "mild", "strong", "mat", "light", "[x]", "~", ""]
VALUES = ["on", "off", "yes", "0", "-1", "1", "99", "2027-10-09", "18:30"]
WORDS = st.sampled_from(QUANTITIES + NAMES + VALUES)


def findings(text: str | bytes) -> None:
    """Check and load a file of this content; what both say must agree."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.yaml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8", "replace"))
        found = check(path)
        for problem in found:
            assert problem.text()
            assert problem.message
            assert problem.remedy
        wrong = [p for p in found if p.severity is Severity.PROBLEM]
        if not wrong:
            assert load(path).props
            return
        with pytest.raises(SiteProblems) as caught:
            load(path)
        assert list(caught.value.problems) == wrong


few = settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))


@few
@given(st.binary(max_size=300))
def test_any_bytes(data: bytes) -> None:
    """Random bytes."""
    findings(data)


@few
@given(st.text(alphabet=st.sampled_from("ab:-{}[]&*!|>%@`'\"#,?\n \t\\0~<"), max_size=80))
@example('"\\UFFFFFFFF"')
@example('"\\ud800": 1')
@example("%YAML 9.9\n---\na")
@example("? [a]\n: b")
@example("&a [*a]")
@example("a: !!binary x")
@example("\x85a: b")
def test_any_text_of_yaml_characters(text: str) -> None:
    """Random text made of the characters that mean something in YAML."""
    findings(text)


@few
@given(st.data())
def test_the_starter_with_lines_changed(data: st.DataObject) -> None:
    """A sound file with lines removed, doubled, indented, or with pieces replaced."""
    lines = list(LINES)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        change = data.draw(st.sampled_from(["drop", "double", "indent", "outdent", "word", "cut"]))
        if change == "drop":
            del lines[at]
        elif change == "double":
            lines.insert(at, lines[at])
        elif change == "indent":
            lines[at] = "  " + lines[at]
        elif change == "outdent":
            lines[at] = lines[at].removeprefix("  ")
        elif change == "word":
            head, colon, _ = lines[at].partition(": ")
            lines[at] = head + colon + data.draw(WORDS)
        else:
            lines[at] = lines[at][: data.draw(st.integers(0, len(lines[at])))]
    findings("\n".join(lines))


trees = st.recursive(
    WORDS,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(KEYS) | WORDS, inner, max_size=5)
    ),
    max_leaves=25,
)


@few
@given(st.dictionaries(st.sampled_from(file_keys(models.Site)), trees, max_size=6))
def test_any_tree_of_known_keys(tree: dict[str, object]) -> None:
    """Known keys with anything under them."""
    findings(yaml.safe_dump(tree))


@few
@given(st.data(), trees)
def test_the_starter_with_a_branch_replaced(data: st.DataObject, branch: object) -> None:
    """A sound site with any one branch, however deep, replaced by anything."""
    tree = yaml.load(BENCH, Loader=yaml.BaseLoader)
    node = tree
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        key = data.draw(st.sampled_from(keys))
        child = node[key]
        if not isinstance(child, dict | list) or not child or data.draw(st.booleans()):
            node[key] = branch
            break
        node = child
    findings(yaml.safe_dump(tree, sort_keys=False))
