"""How each job is shown: on a screen, as plain lines, and what stays of it in the terminal."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final, Generic, TypeVar

from rich.text import Text

from pitchbench.screen import overlay, plain, stretch, strip, survey, survey_lines, view
from pitchbench.screen.keyhelp import WATCHING_COMMANDS
from pitchbench.screen.theme import Theme
from pitchbench.session.job import Command, Job
from pitchbench.session.overlay import Overlay
from pitchbench.session.spoken import OverlaySays, SessionSays, Spoken, StretchSays, SurveySays
from pitchbench.session.state import State
from pitchbench.session.stretch import Stretch
from pitchbench.session.survey import Survey
from pitchbench.session.teaching import Taught

_J = TypeVar("_J", bound=Job)


@dataclass(frozen=True)
class Picture(Generic[_J]):
    """How a job is shown.

    Parameters
    ----------
    draw : its screen, from the job, width, height, theme and the figures typed so far.
    lines : given a function that writes a line, the view that shows the job in plain lines.
    receipt : what stays in the scrollback, from job, theme and width.
    spoken : makes what is spoken of it, as it goes on.
    stays : whether the screen of a finished job stands until a key is pressed.
    keys : what a terminal sends for keys that only this job has.
    """

    draw: Callable[[_J, int, int, Theme, str], list[Text]]
    lines: Callable[[Callable[[str], None]], Callable[[_J, _J], None]]
    receipt: Callable[[_J, Theme, int], list[Text]]
    spoken: Callable[[], Callable[[_J, _J], str]]
    stays: bool
    keys: Mapping[str, Command] = field(default_factory=dict)


def _nothing(_job: Job, _theme: Theme, _width: int) -> list[Text]:
    """The result is printed below the screen, so that nothing else need stay of it."""
    return []


SESSION: Final = Picture[State](
    view.render, plain.PlainView, strip.receipt, lambda: Spoken(SessionSays()), stays=True
)
REHEARSAL: Final = Picture[Taught](
    view.render,
    plain.PlainView,
    strip.receipt,
    lambda: Spoken(SessionSays()),
    stays=True,
    keys=WATCHING_COMMANDS,
)
SURVEY: Final = Picture[Survey](
    survey.render, survey_lines.SurveyLines, _nothing, lambda: Spoken(SurveySays()), stays=True
)
STRETCH: Final = Picture[Stretch](
    stretch.render, stretch.StretchLines, _nothing, lambda: Spoken(StretchSays()), stays=True
)
OVERLAY: Final = Picture[Overlay](
    overlay.render,
    overlay.OverlayLines,
    overlay.receipt,
    lambda: Spoken(OverlaySays()),
    stays=False,
)
