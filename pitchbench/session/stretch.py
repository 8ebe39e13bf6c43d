"""Stretching strings as a pure function: pluck, pull, pluck, until a pull costs hardly a thing.

One string after the other. That a string was pulled is not heard: a pluck after the request is
taken for one after the pull. No clock, no thread, no sound: time is what the events carry.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from pitchbench.belief import half_figures
from pitchbench.intonation.bridge import TENSION
from pitchbench.intonation.stretching import OpenPluck, Stretching, stretching_of
from pitchbench.pitch.listener import ReadingReady
from pitchbench.pitch.reading import Reading, Rejected
from pitchbench.session import paired, words
from pitchbench.session.fold import empty_log, read_log
from pitchbench.session.job import Command, Followed, InputBack, KeyPressed, LoggedJob
from pitchbench.session.log import (
    ClearedEntry,
    Entry,
    Ignored,
    SessionTake,
    Setup,
    Step,
    StepEntry,
    TakeEntry,
    TakeFate,
)
from pitchbench.units import cents_between

#: Two plucks at least tell how far plucks scatter; where more than four do not decide it, another
#: pull tells more.
_FEWEST_PLUCKS: Final = 2
_MOST_PLUCKS: Final = 4

#: A string that still gives after so many pulls slips somewhere, or needs a day's rest.
MOST_PULLS: Final = 12

#: What may still be the open string that is asked for: a new one sinks far.
_FLAT_CENTS: Final = 300.0
_SHARP_CENTS: Final = 100.0

#: No pull makes a string so much sharper: it was tuned meanwhile.
_TUNED_CENTS: Final = 5.0

#: What to mind while a string is pulled; common practice, no source.
CAUTION: Final = f"Pull gently, with the fingers alone. {TENSION}"
BRIEF_CAUTION: Final = "Wear eye protection: it can snap."


@dataclass(frozen=True, kw_only=True)
class Stretch(LoggedJob):
    """The work as it stands: what was heard and asked for is in its log."""

    @property
    def asks(self) -> str:
        """The one thing to do now."""
        return _asks(self)

    def decide(self, event: Followed) -> Stretch:
        """What follows from ``event``."""
        match event:
            case KeyPressed(command=command):
                return _key(self, command)
            case ReadingReady(reading=Reading() as reading):
                return _heard(self, reading)
            case ReadingReady(reading=Rejected() as rejected):
                partner = self.setup.instrument.partner(self.current)
                why = words.rejected_words(rejected.reason, partner)
                kept = _kept(self, rejected, TakeFate.REJECTED, why)
                return replace(kept, says=f"Rejected: {why}.")
            case InputBack() if not self.finished and settled(self, self.current):
                return _to_next_string(self)
        return self


# ------------------------------------------------------------------------------ the two doors


def begin(setup: Setup) -> Stretch:
    """Before anything is heard."""
    return Stretch(log=empty_log(setup))


def resume(setup: Setup, entries: Iterable[Entry]) -> Stretch:
    """The work that ``entries`` led to, ready to go on with a new stream of sound."""
    return Stretch.led_to_by(read_log(setup, entries))


# ------------------------------------------------------------------------------ what it comes to


@dataclass(frozen=True)
class StringStory:
    """What was heard of one string since it was begun (anew), and whether it has been asked to be
    pulled since the last pluck."""

    plucks: tuple[OpenPluck, ...] = ()
    pull_asked: bool = False

    @property
    def pulls(self) -> int:
        """How often it was pulled before the last pluck."""
        return self.plucks[-1].pulls if self.plucks else 0

    @property
    def since_pull(self) -> int:
        """How many plucks came after the last pull."""
        return sum(pluck.pulls == self.pulls for pluck in self.plucks)


def story_of(stretch: Stretch, string: int) -> StringStory:
    """What was heard of ``string``; its plucks in cents above its note."""
    open_hz = stretch.setup.open_hz(string)
    story = StringStory()
    for entry in stretch.log.standing:
        match entry:
            case ClearedEntry(string=number) if number == string:
                story = StringStory()
            case StepEntry(string=number, step=Step.STRETCH) if number == string and story.plucks:
                story = replace(story, pull_asked=True)
            case TakeEntry(take=SessionTake(fate=TakeFate.ACCEPTED, reading=Reading() as r) as t):
                if t.string == string:
                    pulls = story.pulls + story.pull_asked
                    cents = cents_between(r.pitch_hz, open_hz)
                    pluck = OpenPluck(pulls, r.onset_s, cents, r.u_cents)
                    story = StringStory((*story.plucks, pluck))
    return story


def result_of(stretch: Stretch, string: int) -> Stretching | None:
    """What pulling ``string`` has cost; None where too little was heard."""
    tolerance_cents = stretch.log.strings[string - 1].tolerance_cents
    return stretching_of(story_of(stretch, string).plucks, tolerance_cents=tolerance_cents)


def settled(stretch: Stretch, string: int) -> bool:
    """Whether nothing more is asked of ``string``: it is stretched, or was pulled often enough."""
    story, result = story_of(stretch, string), result_of(stretch, string)
    if result is None or story.since_pull < _FEWEST_PLUCKS:
        return False
    return result.stretched or (story.pulls >= MOST_PULLS and not _more_plucks(stretch, string))


def _more_plucks(stretch: Stretch, string: int) -> bool:
    """Whether a pluck is wanted before the next pull."""
    story, result = story_of(stretch, string), result_of(stretch, string)
    if story.since_pull < _FEWEST_PLUCKS:
        return True
    undecided = result is not None and not result.gives and not result.stretched
    return undecided and story.since_pull < _MOST_PLUCKS


# ------------------------------------------------------------------------------ what is heard


def _kept(
    stretch: Stretch,
    reading: Reading | Rejected,
    fate: TakeFate,
    why: str = "",
    ignored: Ignored | None = None,
) -> Stretch:
    """Keep a pluck, whatever became of it."""
    fret = 0 if fate is TakeFate.ACCEPTED else None
    number = stretch.log.next_take
    take = SessionTake(number, stretch.current, fret, 0, reading, fate, why, 0, ignored)
    return stretch.kept(TakeEntry(reading.onset_s, take))


def _heard(stretch: Stretch, reading: Reading) -> Stretch:
    """A pluck that could be read: is it the open string, and what follows?"""
    string, story = stretch.current, story_of(stretch, stretch.current)
    off_cents = cents_between(reading.pitch_hz, stretch.setup.open_hz(string))
    if not -_FLAT_CENTS <= off_cents <= _SHARP_CENTS:
        off = words.reading_words(reading, off_cents, stretch.spec.note)
        # So far off it is rather another string, and tuning this one by as much may snap it.
        alone = f"pluck string {string} open and alone; if you did, it is far out of tune"
        why = f"no open note of this string, {off}: {alone}"
        ignored = _kept(stretch, reading, TakeFate.IGNORED, why, Ignored.NO_NOTE_OF_IT)
        return replace(ignored, says=f"Ignored: {why}.")
    tuned = bool(story.plucks) and off_cents > story.plucks[-1].cents + _TUNED_CENTS
    if tuned:
        stretch = stretch.kept(ClearedEntry(stretch.at_s, string))
    doubt = paired.doubt(stretch.log, reading)
    stretch = _kept(stretch, reading, TakeFate.ACCEPTED, doubt.why, doubt.cause)
    said = _said(stretch, words.reading_words(reading, off_cents, stretch.spec.note))
    if doubt.why:
        said = f"{doubt.why}."
    if tuned:
        said = f"String {string} was tuned meanwhile: it begins anew."
    stretch = replace(stretch, says=said)
    if settled(stretch, string):
        return _to_next_string(stretch)
    if _more_plucks(stretch, string):
        return stretch
    return stretch.kept(StepEntry(stretch.at_s, string, Step.STRETCH, 0))


def _said(stretch: Stretch, off: str) -> str:
    """What was made of the last pluck, which was ``off`` from the string's note."""
    result, story = result_of(stretch, stretch.current), story_of(stretch, stretch.current)
    name = f"String {stretch.current}"
    if result is None or story.since_pull < _FEWEST_PLUCKS:
        return f"{name}: {off}."
    if result.stretched:
        return f"{name} is stretched: {result_words(result)}."
    if story.pulls >= MOST_PULLS and not _more_plucks(stretch, stretch.current):
        return f"{name} still gives after {story.pulls} pulls: look where it slips, or let it rest."
    return f"{name}: {result_words(result)}."


def _go_to(stretch: Stretch, string: int) -> Stretch:
    return stretch.kept(StepEntry(stretch.at_s, string, Step.SURVEY, 0))


def _to_next_string(stretch: Stretch) -> Stretch:
    """To the next string in the order of work that is not settled; at the end, to the end."""
    order, current = stretch.setup.order, stretch.current
    place = order.index(current)
    left = [each for each in (*order[place:], *order[:place]) if not settled(stretch, each)]
    if left:
        return _go_to(stretch, left[0])
    return stretch.kept(StepEntry(stretch.at_s, current, Step.FINISHED))


def _key(stretch: Stretch, command: Command) -> Stretch:
    if command is Command.UNDO:
        return stretch.taken_back()
    if command is Command.AGAIN:
        cleared = stretch.kept(ClearedEntry(stretch.at_s, stretch.current))
        return replace(cleared, says=f"String {stretch.current} begins anew.")
    way = {Command.NEXT: 1, Command.PREVIOUS: -1}.get(command)
    if way is None:
        return stretch
    order = stretch.setup.order
    string = order[(order.index(stretch.current) + way) % len(order)]
    return replace(_go_to(stretch, string), says=f"String {string} now.")


# ------------------------------------------------------------------------------ sentences


def result_words(result: Stretching) -> str:
    """ "the last of 3 pulls cost 0.4 ± 0.9 cents; 0.2 ± 1.9 cents lost per minute"."""
    which = "the pull" if result.pulls == 1 else f"the last of {result.pulls} pulls"
    pull, minute = result.per_pull, result.per_minute
    return (
        f"{which} cost {pull.centre:z.1f} ± {half_figures(pull.half())} cents; "
        f"{minute.centre:z.1f} ± {half_figures(minute.half())} cents lost per minute"
    )


def _asks(stretch: Stretch) -> str:
    """The one thing to do now."""
    if (request := words.input_request(stretch)) is not None:
        return request
    if stretch.finished:
        return "All strings are heard: tune the instrument."
    if stretch.ringing:
        return "Let it ring." if stretch.offered is None else "Damp the string."
    if settled(stretch, stretch.current):
        return f"String {stretch.current} is done: key n goes on."
    if story_of(stretch, stretch.current).pull_asked:
        pull = f"Pull string {stretch.current} gently a few times, do not tune it, then pluck it."
        return words.by_itself(stretch, pull)
    return words.by_itself(stretch, f"Pluck string {stretch.current} ({stretch.spec.note}) open.")
