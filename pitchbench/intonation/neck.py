"""The neck as a whole: what comes from the nut, what from the saddle, and what from one fret.

offset(n) = a + b (gamma(n) - 1) + residual(n), by weighted least squares (docs/definitions.md,
section 4): a is the nut, the same at every fret; b the saddle; an isolated residual that fret. The
saddle has 6 % of its 12th-fret leverage at the 1st fret and 200 % at the 19th, so frets 1 to 3
sharp with a good 12th means the nut.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import fmean
from typing import Final

import numpy as np
import scipy  # its parts load when first used: commands that only read records need none
from numpy.typing import NDArray

from pitchbench.belief import Belief, student_quantile
from pitchbench.errors import NoReadingError, PitchbenchError
from pitchbench.instrument import Instrument
from pitchbench.intonation.bridge import Leverage, Move
from pitchbench.intonation.deciding import worth_filing
from pitchbench.intonation.fit import Fit, Pooled, fit_linear, fit_nonlinear, pool
from pitchbench.intonation.offset import ScatterPrior, believed_mean, learn_scatter, summarise
from pitchbench.intonation.pairs import compare_partials
from pitchbench.intonation.response import BY_GEOMETRY
from pitchbench.intonation.take import Take
from pitchbench.pitch.reading import Partial
from pitchbench.units import CENTS_PER_NEPER, cents_between, fret_ratio

#: A fret is called isolated if its residual would arise by chance less than once in a hundred
#: strings.
FRET_SIGNIFICANCE: Final = 0.01

#: What even good fretwork and light fretting leave between frets, standard deviation in cents:
#: without it a residual far below hearing would be called a bad fret. Common practice, no source.
FRETWORK_CENTS: Final = 0.7

#: A nut or fret term is spoken of when it is as sure as this many standard uncertainties.
SURE_SIGMAS: Final = 2.0

#: A saddle does not go farther than this: where the best position lies beyond, it is not the cause.
LARGEST_MOVE_MM: Final = 15.0

#: A saddle is left that is within tolerance as heard, and surely within so many times that.
_SURELY_LEFT: Final = 2.0

#: Partials farther than this off the stiff-string law, rms in cents, mean an uneven string.
#: Assumed, no source.
UNEVEN_STRING_CENTS: Final = 5.0


@dataclass(frozen=True)
class FretOffset:
    """One fret: its offset, as uncertain as the fretted takes alone make it (the open ones are
    common to all frets), what the fit leaves of it, and whether it stands out."""

    fret: int
    belief: Belief
    residual_cents: float
    isolated: bool

    @property
    def offset_cents(self) -> float:
        """The offset itself."""
        return self.belief.centre

    @property
    def u_cents(self) -> float:
        """Its standard uncertainty, the open note's left out."""
        return self.belief.u


@dataclass(frozen=True)
class StringNeck:
    """One string over the neck.

    ``nut`` is a, ``saddle`` what the saddle contributes at the 12th fret (b), both in cents;
    ``covariance_cents2`` is what they err together. ``open_u_cents`` is the uncertainty of the open
    note, common to all frets; ``fret_sd_cents`` how far frets differ from what nut and saddle make
    of them; ``moved_mm`` the saddle's travel until now, since the instrument's record was made.
    """

    string: int
    frets: tuple[FretOffset, ...]
    nut: Belief
    saddle: Belief
    open_u_cents: float
    covariance_cents2: float = 0.0
    fret_sd_cents: float = FRETWORK_CENTS
    moved_mm: float = 0.0

    def expected_cents(self, fret: int) -> float:
        """The offset at ``fret``: measured if it was, else what nut and saddle make of it."""
        for measured in self.frets:
            if measured.fret == fret:
                return measured.offset_cents
        if fret == 0:
            return 0.0
        return self.nut.centre + self.saddle.centre * (fret_ratio(fret) - 1.0)


@dataclass(frozen=True)
class SaddleChoice:
    """The saddle move that is best over the frets used.

    ``move`` is in mm, positive away from the nut; of strings that share a saddle it is the mean of
    what they ask for. The others hold, by fret, what each is worth and its offset before and after
    the move, as far as the saddle can go. ``most95_cents`` is what the root mean square of what
    truly remains lies below with at least 95 % probability, ``most95_before_cents`` the same of
    what is there now. A fret that stands out and so does not pull the saddle is worth 0.
    """

    move: Belief
    most95_before_cents: float
    most95_cents: float
    weights: Mapping[int, float]
    before_cents: Mapping[int, float]
    remaining_cents: Mapping[int, float]

    @property
    def rms_before_cents(self) -> float:
        """Root mean square of the offsets now, each as its fret is used."""
        return self._rms(self.before_cents)

    @property
    def rms_cents(self) -> float:
        """Root mean square of what remains, each as its fret is used."""
        return self._rms(self.remaining_cents)

    @property
    def unmoved(self) -> SaddleChoice:
        """The same where the saddle is left: what remains is what is there now."""
        return replace(
            self, most95_cents=self.most95_before_cents, remaining_cents=self.before_cents
        )

    @property
    def left_out(self) -> tuple[int, ...]:
        """The frets that do not pull the saddle since they stand out."""
        return tuple(n for n, weight in self.weights.items() if not weight)

    @property
    def rms_before_with_all_cents(self) -> float:
        """As `rms_before_cents`, with the frets that were left out: they are off all the same."""
        return self._rms(self.before_cents, left_out=1.0)

    @property
    def rms_with_all_cents(self) -> float:
        """As `rms_cents`, with the frets that were left out."""
        return self._rms(self.remaining_cents, left_out=1.0)

    def _rms(self, cents: Mapping[int, float], *, left_out: float = 0.0) -> float:
        squares = [cents[n] ** 2 for n in self.weights]
        weights = [weight or left_out for weight in self.weights.values()]
        return math.sqrt(float(np.average(squares, weights=weights)))


class NeckAdvice(StrEnum):
    """The advice on a string once its neck is known."""

    LEAVE = "leave"
    MOVE = "move"
    TAKE_MORE = "take_more"
    NUT_FIRST = "nut_first"
    NOT_THE_SADDLE = "not_the_saddle"


@dataclass(frozen=True)
class NeckVerdict:
    """The advice, and the move to the best saddle position; None where it is to be left, cannot
    be told yet, or no saddle could go so far. ``said_by`` are the strings on its saddle that say
    so where it does not itself."""

    advice: NeckAdvice
    move: Move | None
    said_by: tuple[int, ...] = ()


#: What is heeded first where strings that share a saddle ask for several things of it.
_HEEDED_FIRST: Final = (
    NeckAdvice.NOT_THE_SADDLE,
    NeckAdvice.NUT_FIRST,
    NeckAdvice.TAKE_MORE,
    NeckAdvice.MOVE,
    NeckAdvice.LEAVE,
)


def survey(
    string: int, takes: Sequence[Take], *, prior: ScatterPrior, moved_mm: float = 0.0
) -> StringNeck:
    """Separate nut, saddle and single frets on one string.

    Parameters
    ----------
    takes : open takes (fret 0) and takes at two frets or more, one or more of each.
    prior : what is believed of the spread; the survey's own repeated takes are learned from first.
    moved_mm : as of `StringNeck`.

    Raises
    ------
    NoReadingError
        If there is no open take, or fewer than two frets.
    """
    by_fret: dict[int, list[Take]] = {}
    for take in sorted(takes, key=lambda take: take.fret):
        by_fret.setdefault(take.fret, []).append(take)
    opens = by_fret.pop(0, [])
    if not opens or len(by_fret) < 2:
        raise NoReadingError(
            f"String {string} has too few notes to tell the nut from the saddle.",
            "Play the open string and at least two frets, such as the 1st and the 12th.",
        )
    learned = learn_scatter([takes], typical=prior)
    frets = list(by_fret)
    offsets, errors, open_u2 = np.zeros(len(frets)), [], []
    for i, n in enumerate(frets):
        open_takes, fretted, u_of_choice = _as_heard([*opens, *by_fret[n]], n)
        offsets[i] = _offset_cents(open_takes, fretted, n)
        # Which partials count is as unsure of the one note as of the other.
        choice_u = u_of_choice / math.sqrt(2.0)
        error = _error_of_mean(fretted, learned.fretted_cents, learned.fretted_dof)
        errors.append(replace(error, scale=math.hypot(error.scale, choice_u)))
        open_error = _error_of_mean(open_takes, learned.open_cents, learned.open_dof)
        open_u2.append(open_error.u**2 + choice_u**2)
    open_u = math.sqrt(float(np.mean(open_u2)))
    u = np.array([error.u for error in errors])
    isolated = _isolated(np.array(frets), offsets, np.hypot(u, FRETWORK_CENTS))
    fit = _fit(np.array(frets), offsets, np.hypot(u, FRETWORK_CENTS), keep=~isolated)
    # More scatter between frets than their uncertainties account for widens the result (the
    # Birge ratio); less does not narrow it.
    wider = math.sqrt(max(1.0, fit.chi2 / fit.dof)) if fit.dof > 0 else 1.0
    nut, saddle = (float(value) for value in fit.values)
    residuals = offsets - _design(np.array(frets)) @ fit.values
    return StringNeck(
        string=string,
        frets=tuple(
            FretOffset(n, replace(error, centre=float(o)), float(r), bool(i))
            for n, o, error, r, i in zip(frets, offsets, errors, residuals, isolated, strict=True)
        ),
        nut=Belief.normal(nut, math.hypot(float(fit.u[0]) * wider, open_u)),
        saddle=Belief.normal(saddle, float(fit.u[1]) * wider),
        open_u_cents=open_u,
        covariance_cents2=float(fit.covariance[0, 1]) * wider**2,
        fret_sd_cents=math.sqrt(
            FRETWORK_CENTS**2 + (wider**2 - 1.0) * float(np.mean(u**2 + FRETWORK_CENTS**2))
        ),
        moved_mm=moved_mm,
    )


def heard_offset_cents(takes: Sequence[Take], fret: int) -> float | None:
    """The offset at ``fret`` as `survey` takes it; None until that note and the open one came."""
    opens, fretted, _ = _as_heard(takes, fret)
    return _offset_cents(opens, fretted, fret) if opens and fretted else None


def _as_heard(takes: Sequence[Take], fret: int) -> tuple[list[Take], list[Take], float]:
    """The open takes and those at ``fret`` as the ear compares them, and the u of that choice."""
    compared = compare_partials(takes, fret=fret)
    opens, fretted = ([take for take in compared.takes if take.fret == n] for n in (0, fret))
    return opens, fretted, compared.u_cents


def _offset_cents(opens: Sequence[Take], fretted: Sequence[Take], fret: int) -> float:
    apart_cents = cents_between(summarise(fretted).mean_hz, summarise(opens).mean_hz)
    return apart_cents - 100.0 * fret


def after_move_cents(
    neck: StringNeck, fret: int, instrument: Instrument, *, move_mm: float
) -> float:
    """The offset at ``fret`` once the saddle has gone ``move_mm`` away from the nut, by geometry.

    Raises
    ------
    ValueError
        If the move would leave no string.
    """
    if fret == 0:
        return 0.0
    leverage = Leverage(instrument, neck.string, fret, neck.moved_mm)
    return neck.expected_cents(fret) + leverage.change_cents(move_mm)


def best_saddle(
    neck: StringNeck, instrument: Instrument, weights: Mapping[int, float] | None = None
) -> SaddleChoice:
    """The saddle position that leaves the least weighted square error over the frets used.

    Parameters
    ----------
    weights : how much this player uses each fret; frets not named count for nothing. None: all
        measured frets alike, save those that stand out, which are to be put right by themselves.
        Frets that were not measured enter with what nut and saddle make of them.

    Raises
    ------
    PitchbenchError
        If no fret above the nut has a weight, or no saddle position is best.
    """
    left_out = {}
    if weights is None:
        weights = {fret.fret: 1.0 for fret in neck.frets if not fret.isolated}
        left_out = {fret.fret: 0.0 for fret in neck.frets if fret.isolated}
    used = {n: w for n, w in weights.items() if w > 0 and n > 0}
    if not used:
        raise PitchbenchError(
            "No fret is weighted.", "Give at least one fret a weight above zero, such as 12:1."
        )

    def after(move: NDArray[np.float64]) -> NDArray[np.float64]:
        return _after(neck, used, instrument, float(move[0]))

    try:
        fit = fit_nonlinear(after, np.zeros(len(used)), [0.0], 1.0 / np.sqrt(list(used.values())))
    except ValueError as error:
        raise PitchbenchError(
            "No saddle position is best over these frets.",
            "Weigh frets farther up the neck, where the saddle has more hold.",
        ) from error
    u_mm = _move_u_mm(neck, used, instrument.scale_of(neck.string))
    move = Belief.normal(float(fit.values[0]), u_mm)
    return _choice(neck, instrument, used | left_out, move)


def on_one_saddle(
    necks: Sequence[StringNeck], choices: Sequence[SaddleChoice], instrument: Instrument
) -> list[SaddleChoice]:
    """The choices of strings that share a saddle: it makes one move, the mean of what they ask for.

    Of their moves, not of their cents: a longer string needs more travel for the same cents.
    """
    if len(choices) == 1:
        return list(choices)
    mm = fmean(choice.move.centre for choice in choices)
    u_mm = math.hypot(*(choice.move.u for choice in choices)) / len(choices)
    return [
        _choice(neck, instrument, choice.weights, Belief.normal(mm, u_mm))
        for neck, choice in zip(necks, choices, strict=True)
    ]


def _after(
    neck: StringNeck, frets: Iterable[int], instrument: Instrument, move_mm: float
) -> NDArray[np.float64]:
    return np.array([after_move_cents(neck, n, instrument, move_mm=move_mm) for n in frets])


def _choice(
    neck: StringNeck, instrument: Instrument, used: Mapping[int, float], move: Belief
) -> SaddleChoice:
    """What a move comes to over the frets ``used``, as far as the saddle can go."""
    before = _after(neck, used, instrument, 0.0)
    remaining = _after(neck, used, instrument, _as_move(neck, move, instrument).reach_mm)

    def most95(cents: NDArray[np.float64]) -> float:
        rms = math.sqrt(float(np.average(np.square(cents), weights=list(used.values()))))
        return _most_left_cents(neck, used, rms, cents - before)

    return SaddleChoice(
        move=move,
        most95_before_cents=most95(before),
        most95_cents=most95(remaining),
        weights=used,
        before_cents=dict(zip(used, map(float, before), strict=True)),
        remaining_cents=dict(zip(used, map(float, remaining), strict=True)),
    )


def _as_move(neck: StringNeck, move: Belief, instrument: Instrument) -> Move:
    return Move(neck.string, move.centre, move.interval(), instrument.bridge, neck.moved_mm)


def judge_saddle(
    neck: StringNeck, choice: SaddleChoice, instrument: Instrument, *, tolerance_cents: float
) -> NeckVerdict:
    """What to do about the saddle of a string.

    It is left where the offsets over the frets used are within tolerance (root mean square) and
    surely (95 %) within twice that: what may be much farther off is not known to be good. It is
    moved where the best move is surely one way (95 %). A nut that is out of tolerance by itself
    comes first: moving the saddle would only hide a part of it. What is filed cannot be undone: it
    waits until it is `worth_filing`, and stops short of the mark.
    """
    move = _as_move(neck, choice.move, instrument)
    if choice.rms_before_cents <= tolerance_cents:
        sure = choice.most95_before_cents <= _SURELY_LEFT * tolerance_cents
        return NeckVerdict(NeckAdvice.LEAVE if sure else NeckAdvice.TAKE_MORE, None)
    if abs(choice.move.centre) > LARGEST_MOVE_MM:
        return NeckVerdict(NeckAdvice.NOT_THE_SADDLE, None)
    if nut_matters(neck, tolerance_cents=tolerance_cents):
        return NeckVerdict(NeckAdvice.NUT_FIRST, move.short_of_the_mark)
    filed, unsure = move.bridge.is_filed, abs(choice.move.centre) <= choice.move.half()
    if filed and not unsure:
        leverage = Leverage(instrument, neck.string, 12, neck.moved_mm)
        high, low = map(leverage.change_cents, move.interval95_mm)
        unsure = not worth_filing((low, high), tolerance_cents)
    if unsure:
        return NeckVerdict(NeckAdvice.TAKE_MORE, None)
    return NeckVerdict(NeckAdvice.MOVE, move.short_of_the_mark)


def judge_shared_saddle(
    necks: Sequence[StringNeck], choices: Sequence[SaddleChoice], instrument: Instrument
) -> list[NeckVerdict]:
    """The same for strings that share a saddle, whose ``choices`` are of one move: one answer.

    The strings that are out of tolerance say it for those that are not, and it waits for all of
    them. Where the move would hardly be heard on any of them they are off to either side, and it is
    left.
    """
    within = [instrument.tolerance_of(neck.string) for neck in necks]
    each = list(zip(necks, choices, within, strict=True))
    verdicts = [judge_saddle(n, c, instrument, tolerance_cents=w) for n, c, w in each]
    if len(necks) == 1:
        return verdicts
    if all(_hardly_heard(n, c, instrument, w) for n, c, w in each):
        return [NeckVerdict(NeckAdvice.LEAVE, None)] * len(necks)
    own = dict(zip((neck.string for neck in necks), verdicts, strict=True))
    out = {n.string: own[n.string] for n, c, w in each if c.rms_before_cents > w} or own
    first = min(out.values(), key=lambda verdict: _HEEDED_FIRST.index(verdict.advice))
    saying = tuple(string for string, verdict in out.items() if verdict.advice is first.advice)
    return [
        replace(
            first,
            move=first.move and replace(first.move, string=string),
            said_by=() if string in saying else saying,
        )
        for string in own
    ]


def _hardly_heard(
    neck: StringNeck, choice: SaddleChoice, instrument: Instrument, tolerance_cents: float
) -> bool:
    """Whether a move changes a string, over the frets used, by no more than the tolerance, and
    surely (95 %) by no more than twice that."""
    levers = [(fret_ratio(n) - 1.0) ** 2 for n in choice.weights]
    lever = math.sqrt(float(np.average(levers, weights=list(choice.weights.values()))))
    cents_per_mm = CENTS_PER_NEPER * lever / instrument.scale_of(neck.string)
    mm, most_mm = abs(choice.move.centre), abs(choice.move.centre) + choice.move.half()
    return (
        cents_per_mm * mm <= tolerance_cents
        and cents_per_mm * most_mm <= _SURELY_LEFT * tolerance_cents
    )


def shared_nut(necks: Sequence[StringNeck]) -> Pooled:
    """The nut term that the strings have in common, and how much they differ in it (random
    effects): a nut in the wrong place shifts all strings alike, slots differ one by one."""
    return pool([neck.nut.centre for neck in necks], [neck.nut.u for neck in necks])


def nut_matters(neck: StringNeck, *, tolerance_cents: float) -> bool:
    """Whether the nut alone surely puts every fretted note out of tolerance."""
    return _matters(neck.nut, tolerance_cents)


def nut_as_a_whole(necks: Sequence[StringNeck], *, tolerance_cents: float) -> Pooled | None:
    """The nut term of all strings where it matters and they hardly differ in it; else None."""
    if len(necks) < 3:
        return None
    nut = shared_nut(necks)
    alike = math.sqrt(nut.between_variance) < abs(nut.mean) / 2.0
    return nut if alike and _matters(Belief.normal(nut.mean, nut.u), tolerance_cents) else None


def findings(
    neck: StringNeck, instrument: Instrument, *, tolerance_cents: float
) -> tuple[str, ...]:
    """What the survey of a string shows of nut, or capo, and frets, in a repairer's words; empty
    when all is well. The saddle is spoken of by `judge_saddle`."""
    found = []
    if nut_matters(neck, tolerance_cents=tolerance_cents):
        size = f"{neck.nut.centre:+.1f} cents at every fret"
        if instrument.under_capo(neck.string):
            found.append(
                f"The capo: {size}. That is how it presses: put it on straight and close behind "
                "its fret, no harder than the strings need to sound clean, and tune anew; the "
                "saddle cannot cure that."
            )
        elif neck.nut.centre > 0:
            found.append(
                f"The nut: {size}. The slot is high or the nut stands too far from the first "
                "fret; the saddle cannot cure that. A qualified repairer lowers a slot; it cannot "
                "be undone."
            )
        else:
            found.append(
                f"The nut: {size}. The nut stands too near the first fret, or the slot's "
                "break point lies back in the slot; the saddle cannot cure that."
            )
    for fret in neck.frets:
        if fret.isolated:
            by = f"{fret.residual_cents:+.1f} cents"
            if instrument.fretless:
                found.append(
                    f"The note at {instrument.place(neck.string, fret.fret)} stands out by {by}: "
                    "it was stopped otherwise than the rest, or the fingerboard is uneven there."
                )
                continue
            cause = "high, or worn flat" if fret.residual_cents > 0 else "worn or low"
            found.append(
                f"Fret {instrument.neck_fret(neck.string, fret.fret)} stands out by {by}: "
                f"it may be {cause}, or not in its place, or it was pressed otherwise than "
                "the rest."
            )
    return tuple(found)


def uneven_string(partials: Sequence[Partial]) -> str:
    """A sentence if the partials do not follow the stiff-string law; empty if they do.

    One note alone is no proof: body, bridge and pickup move partials as well.

    Partials count by their certainty: rms of their distance from the law, weighted by 1/u^2.
    """
    if len(partials) < 4:
        return ""
    distance = np.array([partial.law_cents for partial in partials])
    weight = np.array([max(partial.u_cents, 0.1) for partial in partials]) ** -2.0
    rms = math.sqrt(float(np.average(distance**2, weights=weight)))
    if rms <= UNEVEN_STRING_CENTS:
        return ""
    return (
        f"The partials lie {rms:.0f} cents off the law of a stiff string: if other notes of this "
        "string show it too, it is uneven, old or damaged; fit another then before anything is set."
    )


def _matters(term: Belief, tolerance_cents: float) -> bool:
    """Both sure and large enough to be heard of."""
    return abs(term.centre) > max(tolerance_cents, SURE_SIGMAS * term.u)


def _move_u_mm(neck: StringNeck, weights: Mapping[int, float], scale_mm: float) -> float:
    """Standard uncertainty of the best move, by the linear form of geometry.

    With g = gamma(n) - 1 and C cents per unit of ln f, x = (s / C) sum(w g offset) / sum(w g^2):
    the offsets measured err each by itself and together by the open note; those that nut and
    saddle stand in for are taken to err all together.
    """
    measured = {fret.fret: fret.u_cents for fret in neck.frets}
    lever = {n: fret_ratio(n) - 1.0 for n in weights}
    pull = {n: weights[n] * lever[n] for n in weights}
    own = sum((pull[n] * measured[n]) ** 2 for n in weights if n in measured)
    together = neck.open_u_cents * sum(pull[n] for n in weights if n in measured)
    modelled = sum(
        pull[n] * math.hypot(neck.nut.u, lever[n] * neck.saddle.u)
        for n in weights
        if n not in measured
    )
    u_cents = math.sqrt(own + together**2 + modelled**2) / sum(pull[n] * lever[n] for n in weights)
    return u_cents * scale_mm / CENTS_PER_NEPER


def _most_left_cents(
    neck: StringNeck, weights: Mapping[int, float], left_cents: float, change: NDArray[np.float64]
) -> float:
    """What the root mean square left after a move lies below with at least 95 % probability.

    What remains at each fret is what nut, saddle and the fret itself are believed to make of it,
    and what the move does; its weighted mean square is taken for a gamma variable of the same mean
    and variance (Satterthwaite, Biometrics Bulletin 2, 110, 1946). A fret is believed to differ
    from nut and saddle as far as frets do on this string, one that stands out as far as was heard;
    the bridge to follow geometry to within `BY_GEOMETRY`.

    Parameters
    ----------
    left_cents : the root mean square of what was heard and the move; never less than this.
    change : what the move does at each fret of ``weights``, in cents.
    """
    remaining, covariance = believed_offsets(neck, list(weights))
    remaining = remaining + change
    covariance = covariance + np.outer(change, change) * BY_GEOMETRY.factor_u**2
    return max(bound95_cents(remaining, covariance, list(weights.values())), left_cents)


def bound95_cents(
    remaining: NDArray[np.float64], covariance: NDArray[np.float64], weights: Sequence[float]
) -> float:
    """What the weighted root mean square of errors of this mean and covariance lies below with at
    least 95 % probability: its square is taken for a gamma variable of the same mean and variance.
    """
    weight = np.array(weights) / sum(weights)
    weighted = weight[:, None] * covariance
    mean = float(weight @ np.square(remaining) + np.trace(weighted))
    square = 4.0 * float((weight * remaining) @ covariance @ (weight * remaining))
    square += 2.0 * float(np.trace(weighted @ weighted))
    shape = mean**2 / square
    return math.sqrt(float(scipy.special.gammaincinv(shape, 0.95)) * mean / shape)


def believed_offsets(
    neck: StringNeck, frets: Sequence[int]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What nut, saddle and each fret itself are believed to make of the offsets at ``frets``, 1 and
    up, heard or not: mean (n,) in cents and covariance (n, n)."""
    believed = {fret.fret: _believed_residual(fret, neck.fret_sd_cents) for fret in neck.frets}
    unheard = (0.0, neck.fret_sd_cents**2)
    residual, variance = np.array([believed.get(n, unheard) for n in frets]).T
    design = _design(np.array(frets))
    mean = design @ [neck.nut.centre, neck.saddle.centre] + residual
    return mean, design @ _terms_covariance(neck) @ design.T + np.diag(variance)


def _believed_residual(fret: FretOffset, fret_sd_cents: float) -> tuple[float, float]:
    """Mean and variance of how far a fret truly differs from nut and saddle, given its takes."""
    heard = fret.u_cents**2
    if fret.isolated:
        return fret.residual_cents, heard
    share = fret_sd_cents**2 / (fret_sd_cents**2 + heard)
    return share * fret.residual_cents, share * heard


def _terms_covariance(neck: StringNeck) -> NDArray[np.float64]:
    """Of nut and saddle; the open note, which errs at every fret alike, is in the nut."""
    together = neck.covariance_cents2
    return np.array([[neck.nut.u**2, together], [together, neck.saddle.u**2]])


def _design(frets: NDArray[np.int_]) -> NDArray[np.float64]:
    return np.column_stack([np.ones(frets.size), 2.0 ** (frets / 12.0) - 1.0])


def _fit(
    frets: NDArray[np.int_],
    offsets: NDArray[np.float64],
    u: NDArray[np.float64],
    *,
    keep: NDArray[np.bool_],
) -> Fit:
    return fit_linear(_design(frets)[keep], offsets[keep], u[keep])


def _isolated(
    frets: NDArray[np.int_], offsets: NDArray[np.float64], u: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which frets stand out of what the others make of them, one at a time, worst first.

    Each fret is compared with the fit to the others, so that it cannot hide behind its own pull;
    four frets at least must be left to speak for the rest.
    """
    isolated = np.zeros(frets.size, dtype=bool)
    limit = student_quantile(1.0 - FRET_SIGNIFICANCE / (2 * frets.size), math.inf)
    while frets.size - isolated.sum() > 4:
        distance = np.zeros(frets.size)
        for i in np.flatnonzero(~isolated):
            others = ~isolated
            others[i] = False
            fit = _fit(frets, offsets, u, keep=others)
            row = _design(frets)[i]
            u_expected = math.sqrt(float(row @ fit.covariance @ row) + u[i] ** 2)
            distance[i] = abs(offsets[i] - float(row @ fit.values)) / u_expected
        worst = int(np.argmax(distance))
        if distance[worst] <= limit:
            break
        isolated[worst] = True
    return isolated


def _error_of_mean(takes: Sequence[Take], typical_cents: float, prior_dof: float) -> Belief:
    """How far the mean of one note's takes may be off."""
    variance, dof = believed_mean(takes, summarise(takes), typical_cents, prior_dof)
    return Belief(0.0, math.sqrt(float(variance)), dof)
