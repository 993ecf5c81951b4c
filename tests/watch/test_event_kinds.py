"""Every event that the program emits is of a kind that is described, and every described kind is emitted."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import benchmon
from benchmon.event_kinds import AlarmKind, EventGroup, EventKind, EventTraits, Severity, read_kind, traits_of
from benchmon.watch.records import Verdict
from benchmon.watch.verdict import SteadyVerdict

_EMITTERS = ("assess.py", "instruments", "recorder", "session", "watch")


def _calls() -> Iterator[ast.Call]:
    """Yield every call in the modules that make events."""
    for path in sorted(Path(benchmon.__file__).parent.rglob("*.py")):
        if path.relative_to(Path(benchmon.__file__).parent).parts[0] in _EMITTERS:
            yield from (node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call))


def _emitted() -> set[str]:
    """Return the names of the kinds that are handed to a call: to `Event` or to what makes one."""
    return {
        argument.attr
        for call in _calls()
        for argument in call.args
        if isinstance(argument, ast.Attribute)
        and isinstance(argument.value, ast.Name)
        and argument.value.id == "EventKind"
    }


def _announced_verdicts() -> set[Verdict]:
    """Return the verdicts that become events, by readings that get worse and better again."""
    steady = SteadyVerdict()
    shown = (steady.update(None, en) for en in (0.0, 1.2, 5.0, 1.2, 0.0) for _ in range(4))
    return {verdict for verdict in shown if verdict is not None}


def test_every_kind_is_emitted_and_no_other():
    verdicts = {EventKind(verdict).name for verdict in _announced_verdicts()}
    assert _emitted() | verdicts == set(EventKind.__members__)


def test_no_event_is_made_with_a_kind_in_quotes():
    made = [call for call in _calls() if isinstance(call.func, ast.Name) and call.func.id == "Event"]
    kinds = [ast.unparse(call.args[2]) for call in made if len(call.args) == 4]
    assert len(kinds) >= 20
    assert [kind for kind in kinds if kind.startswith(("'", '"', "f'", "str("))] == []


def test_a_kind_is_its_string():
    assert EventKind.TRIPPED == "tripped"
    assert read_kind("no reading") is EventKind.NO_READING
    assert f"{EventKind.POWER_IS_BACK}" == "power is back"


def test_a_kind_of_another_version_is_an_ordinary_one():
    assert read_kind("levitating") == "levitating"
    assert traits_of("levitating") == EventTraits()


def test_what_the_switch_did_stays_when_a_session_is_judged_by_another_bench():
    switching = {kind for kind in EventKind if kind.traits.group is EventGroup.SWITCHING_OFF}
    assert {EventKind.SWITCHING_OFF, EventKind.SWITCHED_OFF, EventKind.SWITCH_OFF_FAILED} < switching
    assert {kind for kind in (*switching, EventKind.SWITCH) if not kind.traits.kept} == set()


def test_what_the_watch_concluded_does_not_stay_when_a_session_is_judged_by_another_bench():
    concluded = ("tripped", "hot", "stale", "disagrees", "drifting", "implausible", "forecast", "cause", "cleared")
    assert {kind for kind in concluded if read_kind(kind).traits.kept} == set()


def test_what_raises_the_gravest_alarms_is_dangerous():
    raising = {kind.traits.alarm: kind for kind in EventKind if kind.traits.alarm is not None}
    for alarm in (AlarmKind.SWITCH_OFF_FAILED, AlarmKind.TRIPPED, AlarmKind.LOAD_NOT_RELEASED):
        assert raising[alarm].traits.severity is Severity.DANGER
        assert raising[alarm].traits.style_role == "danger"
