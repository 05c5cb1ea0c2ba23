"""Every block of the guide to stage files is run: alone the first, the others over it."""

import re
from pathlib import Path
from typing import Any

import pytest
import yaml

import circuits
from circuits import yamlfile
from circuits.bench.rest import at_rest
from circuits.kinds import kin, kinds
from circuits.load import _STAGE_KEYS, from_tree
from circuits.partfile import _PART_KEYS
from circuits.stage import Stage
from circuits.supplyfile import _KEYS
from faultlib.catalogue import hypotheses

GUIDE = (Path(circuits.__file__).parent / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"^```yaml\n(.*?)^```", GUIDE, re.DOTALL | re.MULTILINE)


def over(base: dict[str, Any], block: dict[str, Any]) -> dict[str, Any]:
    """The base with what a block says in place; its parts beside those that are there."""
    merged = {**base, **block}
    merged["parts"] = {**base["parts"], **block.get("parts", {})}
    return merged


def stage(block: str) -> Stage:
    base = yaml.safe_load(BLOCKS[0])
    text = yaml.safe_dump(over(base, yaml.safe_load(block)), sort_keys=False, allow_unicode=True)
    return from_tree(yamlfile.tree(text, "guide"), Path())


@pytest.mark.parametrize("number", range(len(BLOCKS)))
def test_an_example_is_a_stage_that_has_a_bias(number: int) -> None:
    made = stage(BLOCKS[number])
    assert hypotheses(made)
    assert 1.0 < at_rest(made).volts["c"] < 24.0


def test_the_first_example_stands_alone() -> None:
    assert from_tree(yamlfile.tree(BLOCKS[0], "guide"), Path()).name == "my-line-amplifier"


@pytest.mark.parametrize("key", [*_STAGE_KEYS, *_PART_KEYS, *_KEYS])
def test_every_key_is_written_down(key: str) -> None:
    """As a key of an example, or in the text as a word of code."""
    assert re.search(rf"(^|[\s{{`]){re.escape(key)}(:|`)", GUIDE, re.MULTILINE), key


def test_the_words_that_people_write_are_taken() -> None:
    """Names on part lists and in schematic editors (common practice)."""
    for word in ("resistor", "capacitor", "polyester", "polypropylene", "styroflex", "metal-oxide"):
        assert kin()[word].name in kinds()
    assert not set(kin()) & set(kinds())
    assert stage(BLOCKS[-2] if "polyester" in BLOCKS[-2] else
                 next(b for b in BLOCKS if "polyester" in b)).part("C1").kind == "film"
