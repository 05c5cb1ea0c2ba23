"""Every JSON document against the schema that ships, as strictly as it can be read.

The schema itself is open, so that a script written for one number of the format reads later
documents; here every object is closed, so that a key which the schema does not know fails.
JSON Schema 2020-12, checked by the general-purpose library `jsonschema`.
"""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import diagnose
from circuits.bench.workers import COUNT_VARIABLE
from circuits.load import load_stage
from diagnose.cli.arguments import COMMANDS, parser
from diagnose.cli.main import main
from diagnose.schema.documents import FORMAT, KINDS, LOG, NETLIST, named_roles
from diagnose.soundcard import portaudio
from tests.diagnose.soundcard.fake_card import FakeCard
from tests.recordings import noise, tones, write

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parents[3]
DATA = ROOT / "tests" / "data"
EXAMPLES = ROOT / "examples"
KEYS = {1: "776007a93698", 2: "b5fc94c8de0e", 3: "965a6c09b3eb", 4: "0104ddd6175a",
        5: "d459c4580413", 6: "4fe1daa6d6fe", 7: "dea8c6186ae3", 8: "85d3f214f00d",
        9: "f35b57c06117"}
"""Digest of all keys of the documents by the number of the format. A key more needs a higher
number, told in the schema, and a line here."""


@pytest.fixture(scope="module", autouse=True)
def own_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AMP_DIAGNOSE_CACHE", str(tmp_path_factory.mktemp("store")))
        patch.setenv(COUNT_VARIABLE, "0")
        yield


def closed(schema: Any, name: str = "") -> Any:
    """The same schema with every object closed but the one that others are made of."""
    if isinstance(schema, list):
        return [closed(inner) for inner in schema]
    if not isinstance(schema, dict):
        return schema
    made = {key: closed(inner, key) for key, inner in schema.items()}
    if ("properties" in schema and name != "answer") or name in ("rank", "report"):
        made.setdefault("unevaluatedProperties", False)
    return made


def mistakes(document: Any, kind: str) -> list[str]:
    strict = jsonschema.Draft202012Validator(closed(diagnose.json_schema(kind)))
    return [f"{error.json_path}: {error.message}" for error in strict.iter_errors(document)]


def printed(capsys: pytest.CaptureFixture[str], *words: object) -> Any:
    assert main([*map(str, words), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def sheet(tmp_path: Path, more: str) -> Path:
    path = tmp_path / "sheet.yaml"
    text = (DATA / "coupling-dry.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("coupling.yaml", str(DATA / "coupling.yaml")) + more)
    return path


REPAIRED = """
repaired:
  - part: C1
    how: replaced
    readings:
      - {quantity: gain, frequency: 10 Hz, value: -0.1 dB}
      - {quantity: gain, frequency: 20 Hz, value: 0 dB}
"""


def test_the_schema_is_one() -> None:
    jsonschema.Draft202012Validator.check_schema(diagnose.json_schema())
    for kind in (*KINDS, NETLIST, LOG):
        jsonschema.Draft202012Validator.check_schema(closed(diagnose.json_schema(kind)))
    with pytest.raises(diagnose.InputError, match="sheet"):
        diagnose.json_schema("sheet")


def test_the_schema_is_among_what_is_installed() -> None:
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    patterns = told["tool"]["setuptools"]["package-data"]["diagnose"]
    found = {path for pattern in patterns for path in (ROOT / "diagnose").glob(pattern)}
    assert ROOT / "diagnose" / "schema" / "documents.schema.json" in found


def test_every_command_with_a_document_has_a_schema(capsys: pytest.CaptureFixture[str]) -> None:
    """The parser itself says which commands take ``--json``."""
    have = []
    for command in COMMANDS:
        with pytest.raises(SystemExit):
            parser({name: lambda values: "" for name in COMMANDS}).parse_args([command, "--help"])
        if "--json" in capsys.readouterr().out:
            have.append(command)
    assert sorted(have) == sorted(KINDS)


@pytest.mark.parametrize("stage", ["output-complementary", "phono-opamp", "output-network"])
def test_stages(stage: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Of a healthy unit; op-amps among the parts, and a stage without rails."""
    document = printed(capsys, "stages", stage, "--healthy")
    assert mistakes(document, "stages") == []
    assert [p["part"] for p in document["parts"]] == [p.name for p in load_stage(stage).parts]
    assert len(document["nodes"]) + len(document["rails"]) == len(load_stage(stage).nodes)
    assert main(["stages", stage, "--json"]) == 2
    assert "--healthy" in capsys.readouterr().err


def test_a_netlist(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`4k7` and `0R1` as SPICE reads them: 4 kohm (k ends the number), and a cut 0."""
    source, written = tmp_path / "a.cir", tmp_path / "a.yaml"
    source.write_text("a stage\nVin in 0 AC 1\nC1 in b 4u7\nR1 b out 4k7\nR2 out 0 10k\n"
                      ".tran 1u 1m\n.end\n")
    document = printed(capsys, "stages", "--from", source, "-o", written)
    assert mistakes(document, "netlist") == []
    assert document["text"] == written.read_text(encoding="utf-8")
    assert document["file"] == str(written)
    assert [(one["part"], one["value"]) for one in document["parts"]] == [
        ("C1", 4e-6), ("R1", 4e3), ("R2", 1e4)]
    assert [(one["part"], one["line"]) for one in document["asked"]] == [("C1", 3), ("R1", 4)]
    assert {one["line"] for one in document["left out"]} == {2, 6}  # stimulus and analysis
    assert main(["stages", "filter-high", "--to", str(tmp_path / "b.cir"), "--json"]) == 2
    assert "--from" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.parametrize("case", [DATA / "coupling-dry.yaml", EXAMPLES / "hall-record-hum.yaml"],
                         ids=lambda path: path.stem)
def test_rank(case: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = printed(capsys, "rank", case)
    assert mistakes(document, "rank") == []
    roles = diagnose.load_case(case).stage.roles
    for suspect in document["suspects"]:
        assert suspect["role"] == roles.get(suspect["part"], "")
        if "also" in suspect:
            assert suspect["also"]["role"] == roles.get(suspect["also"]["part"], "")
    for group in document["groups"]:
        named = {part["part"]: part["role"] for part in group["parts"]}
        for member in group["members"]:
            assert any(re.search(rf"(^|with ){re.escape(part)} ", member) for part in named)
        assert all(role == roles.get(part, "") for part, role in named.items())


def test_a_repair(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = printed(capsys, "rank", sheet(tmp_path, REPAIRED))
    assert mistakes(document, "rank") == []
    (repair,) = document["repair"]
    assert (repair["part"], repair["role"], repair["outcome"]) == ("C1", "coupling", "gone")


def test_a_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "unit.yaml"
    path.write_text(f"stage: {DATA / 'unit' / 'pair.yaml'}\nreadings:\n"
                    "  - {quantity: gain, frequency: 1 kHz, value: -30 dB}\n")
    document = printed(capsys, "rank", path)
    assert mistakes(document, "rank") == []
    assert document["stages"]
    assert document["roles"]


def test_two_channels(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "two.yaml"
    path.write_text(f"""
stage: {DATA / "coupling.yaml"}
suspect: right
channels:
  left: {{readings: [{{quantity: gain, frequency: 1 kHz, value: 0 dB}}]}}
  right:
    readings:
      - {{quantity: gain, frequency: 10 Hz, value: -5.48 dB}}
      - {{quantity: gain, frequency: 1 kHz, value: 0 dB}}
limits: [{{quantity: gain, frequency: 1 kHz, within: 0.5 dB}}]
""")
    document = printed(capsys, "rank", path)
    assert mistakes(document, "rank") == []
    assert {line["channel"] for line in document["verdict"]} == {"left", "right"}
    assert document["derived"]


def test_the_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("AMP_DIAGNOSE_SHEETS", str(tmp_path / "sheets"))
    path = sheet(tmp_path, "record: {serial: 12}\n")
    closing = ("--found", "C1:capacitance loss", "--proved", "measured", "--minutes", 30)
    documents = [printed(capsys, "log", "close", path, *closing),
                 printed(capsys, "log", "list"), printed(capsys, "log", "statistics")]
    assert documents[0]["entries"][0]["minutes"] == 30.0
    other = tmp_path / "other.yaml"
    other.write_text(path.read_text(encoding="utf-8").split("record:")[0]
                     + "record: {serial: 12}\n")
    documents += [printed(capsys, "log", "like", other)]
    for document in documents:
        assert mistakes(document, LOG) == []
    ranked = printed(capsys, "rank", other)
    assert mistakes(ranked, "rank") == []
    told = ranked["log"]
    assert (told["cases"], len(told["like"]), len(told["earlier"])) == (1, 1, 1)
    assert told == documents[-1]["log"]
    assert {x["number"] for x in told["shares"]} == {0, 1}


def test_expected_figures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = """
expected:
  - {quantity: gain, frequency: 1 kHz, value: 0 dB}
  - {quantity: gain, frequency: 20 Hz, value: 0 dB, within: 0.5 dB}
  - {quantity: crosstalk, frequency: 1 kHz, value: -70 dB}
"""
    document = printed(capsys, "rank", sheet(tmp_path, more))
    assert mistakes(document, "rank") == []
    assert [(x["result"], x["measured"], x["within"]) for x in document["expected"]] == [
        ("as expected", 0.0, "1 dB"), ("off", -2.13, "0.5 dB"), ("", None, "6 dB")]


def test_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "r.html"
    document = printed(capsys, "report", DATA / "coupling-dry.yaml", "-o", file)
    assert mistakes(document, "report") == []
    assert document["report"] == str(file)
    assert mistakes(document, "rank") != []


def test_next(capsys: pytest.CaptureFixture[str]) -> None:
    document = printed(capsys, "next", EXAMPLES / "hall-record-hum.yaml")
    assert mistakes(document, "next") == []
    assert document["next"]
    named = " ".join(word for n in document["next"] for m in n["means"] for word in m["points to"])
    known = diagnose.load_stage("phono-two-transistor").roles
    for part in (word for word in named.split() if word in known):
        assert document["roles"][part] == known[part] != ""


def test_coverage(capsys: pytest.CaptureFixture[str]) -> None:
    document = printed(capsys, "coverage", DATA / "coupling.yaml")
    assert mistakes(document, "coverage") == []
    assert {fault["role"] for fault in document["faults"]} == {"coupling", "load"}


@pytest.mark.parametrize("fault", ["C1:capacitance loss", "C1:open"])
def test_study(fault: str, capsys: pytest.CaptureFixture[str]) -> None:
    document = printed(capsys, "study", DATA / "coupling.yaml", fault,
                       "--readings", DATA / "coupling-dry.yaml")
    assert mistakes(document, "study") == []
    assert document["role"] == "coupling"


def test_score(capsys: pytest.CaptureFixture[str]) -> None:
    document = printed(capsys, "score", DATA / "coupling.yaml", "--benches", 6)
    assert mistakes(document, "score") == []


def test_measure(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, wave in (
        ("sine", tones({1000.0: 0.5, 2000.0: 0.001})),
        ("two tones", tones({19e3: 0.3, 20e3: 0.3})),
        ("silence", noise(1e-4) + tones({50.0: 1e-3})),
    ):
        path = write(tmp_path / f"{name}.wav", wave)
        document = printed(capsys, "measure", path, "--full-scale", "1 V")
        assert mistakes(document, "measure") == []
        assert document["lines"], name


def test_take(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The steps; what was taken, of a card that is a wire; the card itself."""
    monkeypatch.setenv("AMP_DIAGNOSE_CARDS", str(tmp_path / "cards"))
    monkeypatch.setattr(portaudio, "card", lambda *words: FakeCard(records=3.0))
    path = tmp_path / "take.yaml"
    path.write_text(f"stage: {DATA / 'coupling.yaml'}\n"
                    "readings:\n  - {quantity: gain, frequency: 1 kHz, value: }\n"
                    "  - {quantity: dc voltage, at: out, value: }\n")
    documents = [
        printed(capsys, "take", path, "--list"),
        printed(capsys, "take", "--calibrate", "--open-volts", "0.632 V", "--loop-volts",
                "0.63 V", "--input-ohms", "10 kohm"),
        printed(capsys, "take", path, "--yes"),
    ]
    assert [mistakes(document, "take") for document in documents] == [[], [], []]
    listed, card, taken = documents
    assert listed["left"][0]["reading"] == "dc voltage at out"
    assert card["response"]
    assert taken["taken"][0]["value"] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda d: d.pop("format"), "format"),
        (lambda d: d.update(colour="red"), "colour"),
        (lambda d: d["suspects"][0].pop("role"), "role"),
        (lambda d: d["suspects"][0].update(probability=1.2), "1.2"),
        (lambda d: d["groups"][0].update(members="C1"), "C1"),
        (lambda d: d["suspects"][0]["severity"].update(mean=3), "mean"),
    ],
)
def test_a_document_that_is_none_is_seen(change: Any, told: str) -> None:
    """A check that cannot fail is none."""
    document = json.loads(json.dumps(diagnose.to_json(diagnose.rank(DATA / "coupling-dry.yaml"))))
    assert mistakes(document, "rank") == []
    change(document)
    assert told in " ".join(mistakes(document, "rank"))


def test_a_key_more_is_a_higher_number() -> None:
    schema = diagnose.json_schema()
    keys = sorted(_keys(schema["$defs"], ""))
    digest = hashlib.sha256("\n".join(keys).encode()).hexdigest()[:12]
    assert max(KEYS) == FORMAT
    assert KEYS[FORMAT] == digest, "a key was added: raise FORMAT, say so in the schema and here"
    assert f"{FORMAT}: " in schema["$defs"]["format"]["description"]


def _keys(schema: Any, way: str) -> Iterator[str]:
    if isinstance(schema, dict):
        for name in schema.get("properties", {}):
            yield f"{way}/{name}"
        for key, inner in schema.items():
            yield from _keys(inner, f"{way}/{key}")
    elif isinstance(schema, list):
        for inner in schema:
            yield from _keys(inner, way)


def test_a_part_is_named_whole() -> None:
    roles = {"C1": "a", "C10": "b", "tone.C1": "c", "vcc reservoir": "d", "Q1": "e"}

    def named(*words: str) -> list[str]:
        return list(named_roles(roles, words))

    assert named("C10 open") == ["C10"]
    assert named("tone.C1 open, and Q1.") == ["tone.C1", "Q1"]
    assert named("vcc reservoir dry") == ["vcc reservoir"]
    assert named("C12 and c1") == []
    assert named_roles({}, "C1") == {}
