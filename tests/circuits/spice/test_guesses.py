"""What a netlist does not say: kinds, polarity, ports, roles; each guess marked until confirmed.

Source of the expectations: the trade's common practice, as named beside each.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from circuits import yamlfile
from circuits.errors import InputError
from circuits.load import (
    GUESSES_OF_PART,
    GUESSES_OF_STAGE,
    from_tree,
    load_stage,
    stage_names,
    stage_of_text,
)
from circuits.spice import importing
from circuits.spice.importing import Imported, imported
from circuits.stage import Stage
from circuits.stagetext import stage_text

FOLDER = Path(__file__).with_name("netlists")


def netlist(*rows: str) -> str:
    return "\n".join(["title", "V1 vcc 0 12", "Vin in 0 AC 1", *rows, ".end", ""])


def of(*rows: str, given: dict[str, str] | None = None) -> Imported:
    made = imported(netlist(*rows), "x.cir", given=given)
    assert stage_of_text(made.text, "x.yaml") == made.stage
    return made


AMPLIFIER = (
    "C1 in b 10u", "R1 vcc b 56k", "R2 b 0 12k", "Q1 c b e q", "R3 vcc c 3.3k", "R4 e 0 1k",
    "C3 e 0 100u", "C2 c out 10u", "RL out 0 47k", ".model q npn(bf=200)",
)


@pytest.mark.parametrize(
    ("value", "kind"),
    [("10u", "electrolytic"), ("4700u", "electrolytic"), ("22p", "ceramic"), ("100n", "film"),
     ("1n", "film"), ("470n", "film"), ("820p", "ceramic")],
)
def test_the_kind_of_a_capacitor_follows_its_value(value: str, kind: str) -> None:
    """10 µF and more is electrolytic, some picofarads ceramic, between them film: usual stock."""
    made = of(f"C1 in out {value}", "R1 out 0 10k", "R2 vcc out 10k")
    assert made.stage.part("C1").kind == kind
    assert "kind" in dict(made.stage.guessed)["C1"]


def test_a_small_capacitor_across_a_supply_is_a_ceramic_one() -> None:
    made = of("C9 vcc 0 100n", "R1 in out 1k", "R2 out 0 1k", "R3 vcc out 10k")
    assert made.stage.part("C9").kind == "ceramic"


def test_polarity_follows_the_voltages_at_rest() -> None:
    """Of an electrolytic the positive end stands at the higher voltage; drawn the wrong way."""
    rows = [row.replace("C2 c out", "C2 out c").replace("C3 e 0", "C3 0 e") for row in AMPLIFIER]
    volts = {"b": 2.05, "c": 7.4, "e": 1.39, "vcc": 12.0}
    made = imported(netlist(*rows), "x.cir", rest=lambda stage: volts)
    nodes = {part.name: part.nodes for part in made.stage.parts}
    assert nodes["C1"] == ("b", "in")
    assert nodes["C2"] == ("c", "out")
    assert nodes["C3"] == ("e", "0")


def test_what_stands_around_is_no_part() -> None:
    made = of(*AMPLIFIER)
    assert made.stage.load == 47e3
    assert "RL" not in {part.name for part in made.stage.parts}
    assert (made.stage.input, made.stage.output) == ("in", "out")
    assert [(rail.name, rail.volts) for rail in made.stage.rails] == [("vcc", 12.0)]
    assert {one.what.split()[0] for one in made.left} == {"Vin"}


def test_a_resistor_behind_the_generator_is_its_impedance() -> None:
    rows = [row.replace("C1 in b", "C1 a b") for row in AMPLIFIER]
    made = of("Rs in a 600", *rows)
    assert (made.stage.source_impedance, made.stage.input) == (600.0, "a")


def test_sources_of_a_simulation_are_left_out_and_listed() -> None:
    made = of(*AMPLIFIER, "Vmeter out x 0", "R9 x 0 10k", "Iac 0 c AC 1", "Vbat p q 1.5",
              "R10 p c 10k", "R11 q 0 10k")
    told = {one.what.split()[0]: one.why for one in made.left}
    assert "ammeter" in told["Vmeter"]
    assert "probe" in told["Iac"]
    assert "battery" in told["Vbat"]
    assert "out" in made.stage.part("R9").nodes


ROLES = {
    "C1": "input coupling", "C2": "output coupling", "R3": "collector load of Q1",
    "R4": "emitter resistor of Q1", "C3": "emitter bypass capacitor", "R2": "bias return of Q1",
    "R1": "bias resistor of Q1",
}


def test_roles_follow_from_what_a_part_is_connected_to() -> None:
    """The common-emitter stage of any handbook."""
    made = of(*AMPLIFIER)
    assert {name: made.stage.part(name).role for name in ROLES} == ROLES


POWER_ROLES = {
    "C2": "input filter capacitor", "R3": "emitter resistor of Q1", "R4": "emitter resistor of Q2",
    "R7": "bias feed of the current sources", "R11": "upper bias resistor of Q8",
    "R12": "lower bias resistor of Q8", "C5": "bypass capacitor of the bias transistor",
    "R13": "emitter resistor of Q9 and Q10", "R16": "Zobel resistor", "C6": "Zobel capacitor",
    "L1": "output inductor", "R17": "damping resistor across the output inductor",
    "R18": "feedback resistor", "R19": "resistor in the feedback leg",
}


def test_roles_of_a_power_amplifier_with_current_sources() -> None:
    """A power amplifier with current sources as audio handbooks have it (common practice)."""
    path = Path(__file__).parents[3] / "examples" / "own-circuit" / "platform-announcer.cir"
    made = imported(path.read_text(encoding="utf-8"), path.name)
    assert {name: made.stage.part(name).role for name in POWER_ROLES} == POWER_ROLES


def test_a_value_has_no_noise_of_arithmetic() -> None:
    """100·1.1 is 110.00000000000001 in floating point; printed it is 110 ohm."""
    made = of(".param a=1.1", "R1 in out {100*a}", "R2 vcc out 10k", "R3 out 0 1k",
              "RV1a vcc w {100*a}", "RV1b w 0 {990-100*a-110+110}", "R4 w out 1k")
    assert 100 * 1.1 != 110.0
    assert "value: 110 ohm" in made.text
    assert "00000000" not in made.text.replace("'", "")
    trimmer = made.stage.part("RV1")
    assert (trimmer.value, trimmer.position) == (990.0, pytest.approx(880 / 990))


def test_a_long_title_ends_with_a_whole_word() -> None:
    made = imported("\n".join([" ".join(["amplifier"] * 20), "Vin in 0 AC 1", "R1 in out 1k",
                               "R2 out 0 1k", ".end"]), "x.cir")
    assert len(made.stage.title) <= 100
    assert {*made.stage.title.split()} == {"amplifier"}


def test_roles_of_shipped_stages_are_found_again() -> None:
    """Against what people wrote: of the roles that are told, most say the same thing."""
    from circuits.spice.roles import roles

    right = wrong = 0
    for name in stage_names():
        stage = load_stage(name)
        rails = {rail.name: rail.volts for rail in stage.rails}
        for part, (role, _) in roles(stage.parts, rails, stage.input, stage.output).items():
            said = stage.part(part).role.lower()
            head = role.split(" of ")[0].lower().split()
            same = any(word in said for word in head if len(word) > 3 and word != "resistor")
            right, wrong = right + same, wrong + (not same)
    assert right > 60
    assert right / (right + wrong) > 0.75


def test_no_ohms_are_a_wire_unless_something_was_cut_off() -> None:
    made = of("R1 in x 0", "R2 x out 0R1", "R3 out 0 1k", "R4 vcc out 10k")
    assert {part.name: part.value for part in made.stage.parts} == {
        "R2": 1e-3, "R3": 1e3, "R4": 10e3}
    assert [(a.part, a.meant) for a in made.asked] == [("R2", "100 mΩ")]
    assert {"R1", "Vin"} == {one.what.split()[0] for one in made.left}


def test_what_simulators_print_beside_a_part_comes_along() -> None:
    """Series resistance, voltage, tolerance and power stand in netlists of several simulators."""
    made = of("C1 in out 10u V=25 Irms=0.1 Rser=0.7 mfg=\"nobody\" pn=\"X 1\"",
              "R1 out 0 10k tol=1 pwr=2", "R2 vcc out 10k", "L1 vcc y 1m Rser=3", "R3 y 0 1k")
    capacitor, resistor = made.stage.part("C1"), made.stage.part("R1")
    assert (capacitor.esr, capacitor.rating) == (0.7, 25.0)
    assert (resistor.tolerance, resistor.rating) == (0.01, 2.0)
    assert made.stage.part("L1").esr == 3.0


def test_an_element_in_the_first_line_is_told() -> None:
    rows = ["R9 out 0 10k", "Vin in 0 AC 1", "C1 in out 10u", "R1 out 0 10k", ".end"]
    made = imported("\n".join(rows), "x.cir")
    assert "R9" not in {part.name for part in made.stage.parts}
    assert any("title" in one.why and one.place.line == 1 for one in made.left)


def test_a_model_may_be_a_kind_of_another() -> None:
    """AKO takes over what it does not say itself (SPICE manuals that have it)."""
    made = of("Q1 out in 0 q2", "R1 vcc out 1k", "R2 in vcc 1meg", "R3 in 0 100k",
              ".model q1 npn(bf=100 vaf=50)", ".model q2 ako:q1 npn(bf=250)")
    assert dict(made.stage.part("Q1").parameters) == {"BF": 250.0, "VAF": 50.0}


def test_the_guide_names_what_can_be_guessed() -> None:
    guide = Path(importing.__file__).with_name("README.md").read_text(encoding="utf-8")
    for words in (GUESSES_OF_STAGE, GUESSES_OF_PART):
        line = next(row for row in guide.splitlines() if row.rstrip().endswith(words[-1])
                    and "#" in row)
        assert {*words} == {*line.partition(": ")[2].rpartition(":")[2].strip().split(", ")}


def test_two_halves_are_one_trimmer() -> None:
    made = of("RV1a vcc w 300", "RV1b w 0 700", "R1 w out 1k", "R2 out in 1k", "R3 out 0 1k")
    trimmer = made.stage.part("RV1")
    assert (trimmer.kind, trimmer.nodes, trimmer.value) == ("trimmer", ("vcc", "w", "0"), 1000.0)
    assert trimmer.position == pytest.approx(0.7)


def test_windings_are_a_transformer() -> None:
    made = of("L1 in 0 4", "L2 s 0 1", "K1 L1 L2 0.99", "R1 s out 1k", "R2 out 0 10k",
              "R3 vcc out 100k")
    part = made.stage.part("K1")
    assert (part.kind, part.nodes, part.value) == ("transformer", ("in", "0", "s", "0"), 4.0)
    assert part.parameter("ratio") == pytest.approx(2.0)


def test_pins_of_an_op_amp_follow_the_usual_order_or_their_names() -> None:
    inside = ["G1 0 x {p} {m} 1", "R1 x 0 100k", "E1 y 0 x 0 1", "R2 y {o} 50"]
    rest = ["R5 o m 10k", "R6 m 0 1k", "R7 in o 100k", "RL o 0 10k"]
    usual = [".subckt amp 1 2 3 4 5",
             *(row.format(p="1", m="2", o="5") for row in inside), ".ends",
             "XU1 in m vcc 0 o amp"]
    named = [".subckt amp out vee vcc inn inp",
             *(row.format(p="inp", m="inn", o="out") for row in inside), ".ends",
             "XU1 o 0 vcc m in amp"]
    for rows, asked in ((usual, True), (named, False)):
        made = of(*rows, *rest)
        assert made.stage.part("U1").nodes == ("in", "m", "o", "vcc", "0")
        assert made.stage.part("U1").kind == "opamp"
        assert ("pins" in dict(made.stage.guessed)["U1"]) is asked


def test_what_is_not_said_can_be_said() -> None:
    made = of(*AMPLIFIER, given={"output": "c", "input": "b"})
    assert (made.stage.output, made.stage.input) == ("c", "b")
    assert {"input", "output"}.isdisjoint(dict(made.stage.guessed)["stage"])
    with pytest.raises(InputError, match="no node"):
        of(*AMPLIFIER, given={"output": "nowhere"})


def test_a_guess_stays_marked_until_somebody_takes_it_off() -> None:
    made = of(*AMPLIFIER)
    marked = dict(made.stage.guessed)
    assert marked["stage"] == ("input", "source impedance", "output", "load", "rails")
    assert {(g.of, g.word) for g in made.guesses} == {
        (of_, word) for of_, words in marked.items() for word in words}
    confirmed = made.text.replace("  C1: [kind, polarity, role]\n", "")
    assert confirmed != made.text
    stage = stage_of_text(confirmed, "x.yaml")
    assert "C1" not in dict(stage.guessed)
    assert stage == made.stage  # a guess that is confirmed changes nothing that is simulated
    assert stage.key() == made.stage.key()


@pytest.mark.parametrize(
    ("rows", "says"),
    [("guessed: {C9: [kind]}", "no key"), ("guessed: {C1: [colour]}", "thing that can be guessed"),
     ("guessed: {stage: [kind]}", "thing that can be guessed"), ("guessed: [C1]", "mapping")],
)
def test_mistakes_under_guessed_are_shown(rows: str, says: str) -> None:
    text = of(*AMPLIFIER).text.split("guessed:")[0]
    with pytest.raises(InputError, match=says) as caught:
        stage_of_text(f"{text}{rows}\n", "x.yaml")
    assert "^" in str(caught.value)


MISTAKES = [
    (["R1 in out"], "no value", 4), (["Q1 in out"], "too few nodes", 4),
    (["X1 in out amp"], "no subcircuit 'amp'", 4), ([".ends"], "no subcircuit is open", 4),
    (["Z1 in out 1k"], "nothing like an element Z", 4), (["R1 in out -5"], "as SPICE reads", 4),
    (["R1 in out 1k", ".foo"], "no statement", 5), (["R1 in out {a*2}"], "no parameter 'a'", 4),
    (["R1 in out 1k", "R1 out 0 1k"], "twice", 5), ([".subckt a b c"], "does not end", 4),
    (["K1 L1 L2 0.9", "R1 in out 1k"], "couples what", 4), (["R1 in out {1/0}"], "no value", 4),
    (["Q1 out in 0 q", ".model q bsim(x=1)"], "is a model of bsim", 4),
    (["M1 out in 0 0 q", ".model q nmos(level=8)"], "level 8", 5),
    (["Q1 out in 0 q", ".model q d(is=1f)"], "is a model of d", 4),
    (["C1 in out 1u m=0"], "multiplier of 0", 4), (["R1 in out 1,5"], "value already", 4),
    (["R1 in out '2*3"], "quote stays open", 4),
    (["R1 in out {2*3"], "brace stays open", 4),
    ([".subckt x a b c", "B1 c 0 v=foo(v(a))", ".ends", "X1 in out 0 x"], "cannot call 'foo'", 5),
    ([".subckt x a b c", "B1 c 0 v=v(a)*/2", ".ends", "X1 in out 0 x"], "cannot be read", 5),
]


@pytest.mark.parametrize(("rows", "says", "line"), MISTAKES)
def test_a_mistake_is_shown_where_it_stands(rows: list[str], says: str, line: int) -> None:
    """File, line, caret and what would have been right."""
    with pytest.raises(InputError, match=says) as caught:
        imported(netlist(*rows), "mistake.cir")
    error = caught.value
    assert error.place is not None
    assert (error.place.file, error.place.line) == ("mistake.cir", line)
    assert "^" in str(error)
    assert error.expected


@pytest.mark.parametrize("name", stage_names())
def test_a_stage_written_down_is_read_back_the_same(name: str) -> None:
    stage = load_stage(name)
    again = stage_of_text(stage_text(stage), f"{name}.yaml")
    assert again == stage


def test_what_no_shipped_stage_says_is_written_down_too() -> None:
    stage = load_stage("phono-opamp")
    part = replace(stage.part("C7"), rating=25.0, heat=12.5, esr=0.5, tolerance=0.1)
    odd = replace(stage.with_part(part), guessed=(("stage", ("load",)), ("C7", ("kind", "role"))))
    again = stage_of_text(stage_text(odd), "odd.yaml")
    assert again == odd
    assert again.guessed == odd.guessed


def test_every_netlist_makes_a_stage_file() -> None:
    for path in sorted(FOLDER.iterdir()):
        if path.suffix.lower() != ".cir":
            continue
        made = imported(path.read_text(encoding="utf-8"), path.name, path.parent)
        stage: Stage = from_tree(yamlfile.tree(made.text, path.name), Path())
        assert stage == made.stage
        assert stage.guessed
