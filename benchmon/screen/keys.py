"""The views and the keys of the screen: one table for the program, the key bar and the help.

A view is one `ViewRecord` with the place of its class. Its module is loaded when its key is first pressed or, a moment
after the start, in the background.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

from textual.binding import Binding, BindingType

from benchmon.screen.session_state import SessionState


@dataclass(frozen=True, slots=True)
class Key:
    """A key: its name (as Textual writes it), the action, its word in the key bar, and its line in the help.

    The key bar writes it as `shown`, or by its name where that is ""; a key with `in_bar` false is not in the bar.
    `help` is "" where another key's line covers it. `is_of_use` returns whether the key has a use in a session; the bar
    leaves it out where it has none. A `pinned` key has room in the bar however narrow the screen is. `label_now`
    returns the label for a session where the key does what its state asks for.
    """

    name: str
    action: str
    label: str
    help: str = ""
    shown: str = ""
    in_bar: bool = True
    pinned: bool = False
    is_of_use: Callable[[SessionState], bool] | None = None
    label_now: Callable[[SessionState], str] | None = None

    @property
    def binding(self) -> BindingType:
        """Return the key as Textual needs it."""
        return Binding(self.name, self.action, self.label, show=self.in_bar, key_display=self.shown or None)

    @property
    def press(self) -> str:
        """Return the one key, as Textual writes it, that a click in the bar presses."""
        return self.name.partition(",")[0]

    @property
    def title(self) -> str:
        """Return the key as bar and help write it."""
        return self.shown or self.press


@dataclass(frozen=True, slots=True)
class ViewRecord:
    """A view: its name, the key that opens it (None where another way does), the place of its class, and its own keys.

    `place` is `module:Class` below `benchmon.screen.views`. `title` names the view in the help.
    """

    name: str
    title: str
    key: Key | None = None
    place: str = ""
    own_keys: tuple[Key, ...] = field(default=())
    closes: bool = True
    """Whether Escape goes back from it."""

    @property
    def keys(self) -> tuple[Key, ...]:
        """Return all keys of the view, in the order of the key bar."""
        if not self.closes:
            return (*EVERYWHERE, *self.own_keys)
        return (*self.own_keys, _BACK, *EVERYWHERE, _SCROLL)

    @property
    def bindings(self) -> list[BindingType]:
        """Return all keys of the view as Textual needs them."""
        return bindings_of(self.keys)


def bindings_of(keys: Iterable[Key]) -> list[BindingType]:
    """Return keys as Textual needs them, in the order of the key bar."""
    return [key.binding for key in keys]


def _opens(
    view: str,
    name: str,
    label: str,
    text: str,
    *,
    shown: str = "",
    pinned: bool = False,
    is_of_use: Callable[[SessionState], bool] | None = None,
) -> Key:
    """Return the key that opens the view called `view`."""
    return Key(name, f"app.show_view('{view}')", label, text, shown, pinned=pinned, is_of_use=is_of_use)


def _can_switch_off(state: SessionState) -> bool:
    return state.info.bench.switch_off is not None


def _has_waveforms(state: SessionState) -> bool:
    return bool(state.waveforms)


def _next_in_plan(state: SessionState) -> str:
    """Return what Enter does in the plan now."""
    if state.plan.step_number is None:
        return "Begin"
    step = state.plan.current_step
    return "Record" if step is not None and step.still_to_record else "Confirm"


def _has_sweeps(state: SessionState) -> bool:
    return bool(state.plan.sweeps.runs)


def _has_manual_meters(state: SessionState) -> bool:
    return bool(state.info.bench.typed_channels)


def _is_guessed_first(state: SessionState) -> bool:
    return state.info.is_guessed_first


_BACK = Key("escape", "app.pop_screen", "Back", "back to the channels", shown="Esc")
_SCROLL = Key("tab", "app.focus_next", "Scroll", "scroll", shown="arrows")

MAIN = ViewRecord(
    "main",
    "the channels",
    own_keys=(
        Key("enter", "open", "Details", "details of the selected channel", shown="Enter"),
        Key(
            "slash", "find", "Find", "find channels by name, quantity, instrument or state; empty shows all", shown="/"
        ),
        Key(
            "tab,shift+tab",
            "app.focus_next",
            "Move",
            "the arrows select a row; Tab moves to the events and back",
            shown="Tab, arrows",
        ),
        Key(
            "space",
            "mark",
            "Mark",
            "mark a channel for the large digits, or remove the mark",
            shown="Space",
            in_bar=False,
        ),
        Key("escape", "all", "All channels", "show all channels again", shown="Esc", in_bar=False),
    ),
    closes=False,
)
"""The view that the screen begins with."""

DETAILS = ViewRecord(
    "details",
    "the details of a channel",
    own_keys=(
        Key(
            "y",
            "app.explain",
            "Why",
            "where the expected value comes from: the handbook's formula, what each effect changes, the uncertainty",
        ),
    ),
)

PLAN = ViewRecord(
    "plan",
    "the plan",
    _opens("plan", "p", "Plan", "the plan of the power-on, step by step"),
    "reading_views:PlanView",
    (
        Key(
            "enter",
            "app.confirm_step",
            "Confirm",
            "start the plan, record what the current step asks for, or confirm it",
            shown="Enter",
            label_now=_next_in_plan,
        ),
        Key("s", "app.skip_step", "Skip", "skip the current step, with a reason"),
        Key("x", "app.stop_plan", "Stop plan", "stop the plan; this switches nothing off"),
        Key(
            "left",
            "choose(-1)",
            "Previous",
            "show the previous step, the next",
            shown="left, right",
            in_bar=False,
        ),
        Key("right", "choose(1)", "Next", in_bar=False),
    ),
)
LARGE_DIGITS = ViewRecord(
    "digits",
    "the large digits",
    _opens("digits", "b", "Big", "large digits, to be read from afar: the marked channels, or those that matter most"),
    "reading_views:LargeDigitsView",
)
TREND = ViewRecord(
    "trend",
    "the trend",
    _opens("trend", "t", "Trend", "trend of the selected channel over any span of time"),
    "trend:TrendView",
    (
        Key("up", "choose(-1)", "Channel", "the previous channel, the next", shown="Up/down"),
        Key("left", "move(-1)", "Cursor", "move the cursor", shown="Left/right"),
        Key("plus,equals_sign", "span(-1)", "Span", "a shorter span, a longer one", shown="+/-"),
        Key("z", "zoom", "Zoom", "zoom the axis to the readings alone, or back to the expected band"),
        Key("pageup", "go(0.5)", "Earlier", "earlier; PgDn: later", shown="PgUp", in_bar=False),
        Key("down", "choose(1)", "Next", in_bar=False),
        Key("right", "move(1)", "Right", in_bar=False),
        Key("minus", "span(1)", "Longer", in_bar=False),
        Key("pagedown", "go(-0.5)", "Later", in_bar=False),
        Key("home", "go(1000000)", "First", "the beginning of the session; End: now", shown="Home", in_bar=False),
        Key("end", "go(-1000000)", "Now", in_bar=False),
    ),
)
SWEEP = ViewRecord(
    "sweep",
    "the sweep",
    _opens("sweep", "v", "Sweep", "curves of a sweep, and its next value", is_of_use=_has_sweeps),
    "trend:SweepView",
    (
        Key("enter", "app.confirm_sweep", "Begin, set", "begin the sweep or say that a value is set", shown="Enter"),
        Key("s", "app.skip_value", "Skip", "skip the value that is asked for, with a reason"),
        Key("x", "app.stop_sweep", "Stop sweep", "stop the sweep; a load that the program set is released"),
        Key("up", "choose(-1)", "Curve", "the previous curve, the next", shown="Up/down"),
        Key("left", "sweep(-1)", "Other sweep", "the previous sweep, the next", shown="Left/right", in_bar=False),
        Key("down", "choose(1)", "Next", in_bar=False),
        Key("right", "sweep(1)", "Right", in_bar=False),
    ),
)
WAVEFORM = ViewRecord(
    "waveform",
    "the waveform",
    _opens(
        "waveform",
        "w",
        "Wave",
        "waveform of the selected channel over the expected one",
        is_of_use=_has_waveforms,
    ),
    "waveform:WaveView",
    (
        Key("up", "choose(-1)", "Other wave", "the previous waveform, the next", shown="Up/down"),
        Key("left", "move(-1)", "Cursor", "move the cursor", shown="Left/right"),
        Key("h", "harmonics", "Harmonics", "harmonics of the line current with their limits, and back"),
        Key("down", "choose(1)", "Next", in_bar=False),
        Key("right", "move(1)", "Right", in_bar=False),
    ),
)
EVENTS = ViewRecord(
    "events",
    "the events",
    _opens("events", "e", "Events", "all events, wrapped so that no word is cut off"),
    "reading_views:EventsView",
)
HELP = ViewRecord(
    "help",
    "the help",
    _opens(
        "help",
        "question_mark",
        "Help",
        "help, beginning with the keys of the open view",
        shown="?",
        pinned=True,
    ),
    "reading_views:HelpView",
)

VIEWS = (MAIN, DETAILS, PLAN, LARGE_DIGITS, TREND, SWEEP, WAVEFORM, EVENTS, HELP)
"""Every view, in the order of the help."""

EVERYWHERE = (
    Key(
        "o",
        "app.switch_off",
        "OFF",
        "switch off, in every view (Ctrl-O while a line is edited); the word OFF must be typed",
        pinned=True,
        is_of_use=_can_switch_off,
    ),
    Key("a", "app.acknowledge", "Seen", "acknowledge the alarms: the bell ends, the words stay"),
    *(view.key for view in (PLAN, LARGE_DIGITS, TREND, SWEEP, WAVEFORM) if view.key),
    Key(
        "r",
        "app.reading",
        "Read",
        "enter readings of meters without an interface, those first that are due; the time is that of the question",
        is_of_use=_has_manual_meters,
    ),
    Key(
        "g",
        "app.guess",
        "Guess",
        "guess what a channel settles at; what is expected of it is shown afterwards (`run --guess`)",
        is_of_use=_is_guessed_first,
    ),
    Key("n", "app.note", "Note", "write a note; its time is when n was pressed"),
    *(view.key for view in (EVENTS,) if view.key),
    Key("m", "app.mute", "Bell", "turn the bell off or on; the alarms are shown all the same", in_bar=False),
    Key("l", "app.load", "Load", "load the edited bench file; a list shows first what would change", in_bar=False),
    Key(
        "d",
        "app.export",
        "Data",
        "export the readings to a .csv, .json, .sqlite or .parquet file, in the background",
        in_bar=False,
    ),
    Key(
        "u",
        "app.monte_carlo",
        "Uncertainty",
        "draw 10,000 supplies within the tolerances; the details of a channel then show the distribution",
        in_bar=False,
    ),
    Key("c", "app.cancel_job", "Cancel", "cancel what runs in the background", in_bar=False),
    Key("k", "app.colours", "Colours", "colours for a dark terminal, for a light one, or high contrast", in_bar=False),
    Key("q", "app.leave", "Quit", "quit, from every view; where a recorder runs, a question about it comes first"),
    *(view.key for view in (HELP,) if view.key),
)
"""The keys that every view has. A view that has its own puts them first, so that a narrow screen shows them."""

REPLAY = (
    Key("f", "freeze", "Freeze", "freeze the replay, or resume it"),
    Key("full_stop", "step", "Step", "freeze the replay at the next reading", shown="."),
    Key("right_square_bracket", "to_event(1)", "Events", "freeze at the next event, at the previous one", shown="] ["),
    Key("left_square_bracket", "to_event(-1)", "Previous event", in_bar=False),
    Key("greater_than_sign", "pace(1)", "Pace", "replay twice or half as fast", shown="> <"),
    Key("less_than_sign", "pace(-1)", "Slower", in_bar=False),
)
"""The keys that control a replay."""

_OF_THE_RECORDER = frozenset(
    (
        *("switch_off", "acknowledge", "reading", "guess", "note", "confirm_step", "skip_step", "stop_plan"),
        *("confirm_sweep", "skip_value", "stop_sweep"),
    )
)


def keys_in_bar(keys: Iterable[Key], state: SessionState) -> list[Key]:
    """Return the keys of the key bar for a session.

    Keys without a use in it are left out. In a replay those that control it stand in place of those that ask a
    recorder.
    """
    kept = [
        key if key.label_now is None else replace(key, label=key.label_now(state))
        for key in keys
        if key.in_bar and (key.is_of_use is None or key.is_of_use(state))
    ]
    if not state.is_replay:
        return kept
    kept = [key for key in kept if key.action.removeprefix("app.") not in _OF_THE_RECORDER]
    first = next((at for at, key in enumerate(kept) if key is _BACK), -1) + 1
    return [*kept[:first], *(key for key in REPLAY if key.in_bar), *kept[first:]]


def view_called(name: str) -> ViewRecord:
    """Return the record of the view of that name. Raises `KeyError` where there is none."""
    return {view.name: view for view in VIEWS}[name]
