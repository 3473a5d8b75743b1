"""What the rules may be told: every depth, time and share, named and explained.

Pairs are (dynamics, expression). Depths are controller steps (`_cc`), times seconds (`_s`), levels decibels (`_db`).
Unless a field says otherwise the values are common practice without a source, chosen by looking at the curves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from phrasewright.data.plan import EXPRESSION_CENTRES_CC, LEVEL_CENTRES_CC

Pair = tuple[float, float]

VIBRATO_CENTRE_CC = 40.0
"""Where vibrato rests in passages that do not use it."""


@dataclass(frozen=True)
class Arc:
    """The swell over a phrase. Phrases swell and fall as arcs (Todd 1992, abstract); depths are practice."""

    depth_cc: Pair = (15.0, 11.0)
    """Peak above the phrase's start at full length."""
    taper_cc: Pair = (8.0, 7.0)
    """How far the end falls under the start."""
    full_s: float = 5.0
    """Phrases this long get the full depth, shorter ones less by the square root."""
    least: float = 0.4
    most: float = 1.15
    """Bounds of that share of the depth."""
    few_notes: Pair = (0.65, 0.85)
    """Share of the depth in phrases of one and of two notes: a held note has its own movement."""
    seam_share: float = 0.5
    """How much of the taper remains where the sound goes on into the next phrase."""
    peak: float = 0.62
    """Where the arc culminates, as a share of the phrase, before its own top is taken into account."""
    follow_top: float = 0.45
    """How far the peak moves to where the line is highest, 0 not at all, 1 exactly there."""
    top_semitones: float = 3.0
    """The line is highest where its notes lie; so many semitones under the highest halve a note's say."""
    peak_shift: Pair = (0.08, -0.08)
    """Dynamics culminates later than expression."""
    peak_bounds: Pair = (0.22, 0.86)
    peak_residue: float = 0.07
    """Standard deviation of the peak's place without a reason in the notes."""
    depth_residue: float = 0.12
    """Likewise of the depth, as a share."""
    rise_power: Pair = (1.45, 1.05)
    fall_power: Pair = (1.15, 1.6)
    """Above 1 the curve stays longer near its peak's foot; dynamics and expression bend differently."""
    height_db_per_octave: float = 0.6
    """What a climb adds to the level, both lanes together. About 3 dB an octave is told of pianists (Friberg 1991, from
    memory); sampled instruments grow by themselves, so less."""
    height_octaves: float = 1.25
    """Distance from the phrase's mean beyond which height adds no more."""


@dataclass(frozen=True)
class Note:
    """The shape within a note: weight, decay, sag."""

    weight_cc: Pair = (5.0, 4.0)
    """The short swell after a melody note's onset."""
    sag_cc: Pair = (4.5, 3.0)
    """How far a melody note has fallen under its level when the decay is over."""
    decay_s: Pair = (0.28, 0.4)
    decay_per_length: Pair = (0.45, 0.62)
    """Time constant of the decay: `decay_s + decay_per_length * length`."""
    attack_s: Pair = (0.16, 0.10)
    """How long the swell takes; expression first."""
    attack_share: float = 0.4
    """The swell takes at most this share of the note."""
    role_share: Mapping[str, float] = field(
        default_factory=lambda: {"melody": 1.0, "counter": 0.8, "chords": 0.35, "bass": 0.55, "pedal": 0.25}
    )
    """How much of it each role shows."""
    metre_cc: Pair = (2.2, 1.4)
    """What a downbeat adds over a weak beat."""
    residue_cc: Pair = (0.8, 0.8)
    """Standard deviation of a note's level without a reason in the notes."""
    entry_deficit_cc: Pair = (6.0, 3.0)
    """How far under its level an entry begins."""
    opening_s: float = 0.6
    """A legato line that opens with a note at least this long gets the fuller start instead ..."""
    opening_cc: Pair = (1.5, 3.5)
    """... this far over its level from the onset on, since the opening note speaks later than those that follow."""
    opening_decay_s: float = 0.7


@dataclass(frozen=True)
class Dip:
    """Joins and re-articulations."""

    join_cc: Pair = (7.0, 9.0)
    repeat_cc: Pair = (15.0, 12.5)
    before_s: Pair = (0.09, 0.11)
    after_s: Pair = (0.19, 0.14)
    share_before: float = 0.4
    share_after: float = 0.5
    """A dip takes at most these shares of the note before and of its own note."""
    shortest_s: float = 0.09
    full_s: Pair = (0.52, 0.34)
    """Between notes shorter than the first there is no dip, from these on (join, repeat) the full one."""
    metre: float = 0.2
    """What a downbeat deepens, as a share."""
    quick_s: Pair = (0.25, 0.45)
    weak_share: Pair = (0.5, 0.2)
    """Between quick notes (in full at the first length, not from the second on) a dip (join, repeat) is shallower by
    this share where the metre is weaker than beside it: hands lean on beats, and equal dips at every quaver sound like
    a machine."""
    steepest_cc_per_s: float = 300.0
    """Depths are cut so that no flank is steeper; 60 events a second of 6 steps each follow that."""
    per_semitone: float = 0.03
    """What each semitone of a leap deepens a join, as a share, up to an octave."""
    residue: float = 0.17
    residue_bounds: Pair = (0.85, 1.35)
    """Standard deviation of the depth, as a share, and what it is cut to."""
    repeat_own_share: float = 1.8
    """A repeated note may be shorter by this and still be articulated: the stroke is about the note before it."""
    role_share: Mapping[str, float] = field(
        default_factory=lambda: {"melody": 1.0, "counter": 0.97, "chords": 0.92, "bass": 0.92, "pedal": 0.9}
    )
    fast_repeat_s: float = 0.2
    """Repeats closer than this (five a second) are one gesture ..."""
    beat_cc: Pair = (4.0, 3.0)
    """... with this much weight on the beats ..."""
    beat_weak: float = 0.6
    """... of which a weak beat has this share ..."""
    beat_late_s: float = 0.03
    beat_width_s: Pair = (0.1, 0.22)
    """... at its greatest so long after the beat; it rises and falls in these times."""


@dataclass(frozen=True)
class Repeats:
    """Long rows of repeats, whoever predicted them: strokes in groups, not a comb (common practice, no source)."""

    from_strokes: int = 3
    """Shorter rows are left alone."""
    at_metre: tuple[float, ...] = (0.0, 0.3, 0.5, 1.0)
    share: tuple[float, ...] = (0.7, 0.78, 0.9, 1.12)
    """What a dip keeps of its depth by the metre: between beats, on a beat, on the half bar, on the downbeat."""
    carried: float = 0.14
    carried_cc: float = 3.0
    """Shallower by up to this share where dynamics rises from stroke to stroke by the second or more, deeper where it
    falls.
    """
    residue: float = 0.1
    bounds: Pair = (0.6, 1.3)


@dataclass(frozen=True)
class Held:
    """Movement on held notes: 3 to 6 steps within about a second, vibrato 10 to 25 over 3 to 6 s."""

    size_cc: tuple[float, float] = (1.9, 2.6)
    """Turning points lie this far from the middle, on alternate sides."""
    leg_s: tuple[float, float] = (0.38, 1.1)
    """Seconds between turning points, drawn anew each time so that nothing is periodic."""
    vibrato_size_cc: tuple[float, float] = (6.5, 10.5)
    vibrato_leg_s: tuple[float, float] = (1.2, 3.0)
    choose_of: int = 8
    choose_from_s: float = 4.0
    """On notes longer than this the least periodic of so many draws is taken."""
    always: float = 0.3
    """Share of it that other notes show."""
    from_s: float = 0.6
    full_s: float = 1.2
    """Notes from the first length on show more, from the second on all."""
    move_s: float = 0.35
    swell_from_s: float = 9.0
    swell_full_s: float = 13.0
    """On notes from the first length on, in full from the second on, swells take the place of the phrase's arc (nobody
    has so long a bow or breath) ..."""
    swell_leg_s: tuple[float, float] = (1.8, 5.0)
    swell_cc: tuple[float, float] = (2.5, 6.5)
    """... with turning points so many seconds apart and this far from the middle, on alternate sides ..."""
    swell_lead_s: tuple[float, float] = (0.1, 0.7)
    """... in expression so much earlier than in dynamics, with sizes of their own ..."""
    arc_share: float = 0.3
    """... and this share of the arc, and of whatever else is slower than `arc_s`, is left."""
    arc_s: float = 5.0
    arc_edge_s: float = 2.5
    swell_edge_s: float = 1.0
    """Within the first of the note's ends all of the arc stands; within the second no swell turns."""


@dataclass(frozen=True)
class Chords:
    """Slow chords: rise through one, fall through the next, with a small step at the change."""

    bend: Pair = (1.2, 0.85)
    """Powers of a chord's elapsed share: dynamics moves later, expression earlier."""
    swing_cc: Pair = (4.5, 3.2)
    rate_cc_per_s: Pair = (2.6, 2.0)
    """The swing is at most so many steps a second of the chord's length."""
    slow_s: float = 0.8
    step_cc: Pair = (2.0, 3.0)
    step_decay_s: float = 0.9


@dataclass(frozen=True)
class Run:
    """Runs as one gesture: grow upwards, ease downwards."""

    slope_cc_per_octave: Pair = (5.0, 4.0)
    most_cc: Pair = (8.0, 6.0)
    weight_share: float = 0.4
    """What a run keeps of a single note's weight."""


@dataclass(frozen=True)
class Accent:
    """Spikes at accents and sforzandi."""

    accent_cc: Pair = (13.0, 8.0)
    sforzando_cc: Pair = (24.0, 13.0)
    sforzando_stretch: float = 1.6
    """A sforzando takes so much longer than an accent."""
    decay_s: Pair = (0.22, 0.16)
    rise_s: float = 0.14
    """Time of the rise; around the onset where the note is joined, before it otherwise."""
    rise_after: float = 1.0
    """Share of a joined accent's rise that lies after the onset."""
    dip_share: float = 0.9
    """What remains of a join's dip under an accent."""
    fade_s: float = 0.12


@dataclass(frozen=True)
class Closing:
    """The end of a piece or a section. Nodes are (share of the closing, share of the depth)."""

    rise_cc: Pair = (29.0, 15.0)
    fall_cc: Pair = (27.0, 21.0)
    rise_arc: float = 0.4
    """What remains of the arc of a phrase that closes by rising; it does not fall after its peak."""
    full_s: float = 4.0
    """Closings this long get the full depth, shorter ones in proportion."""
    least: float = 0.45
    rise_dynamics: tuple[tuple[float, float], ...] = ((0.0, 0.0), (0.46, 0.5), (0.6, 0.35), (1.0, 1.0))
    rise_expression: tuple[tuple[float, float], ...] = ((0.0, 0.0), (0.38, 0.6), (0.5, 0.45), (0.84, 1.0), (1.0, 0.97))
    """An accented first rise to about the middle, a slight give, then to the end; expression arrives first."""
    last_power: float = 1.4
    """Above 1 the last stretch of dynamics gets steeper to the end, for bite."""
    accent_cc: Pair = (5.0, 4.0)
    accent_s: tuple[float, float] = (0.12, 0.5)
    """The accent on the first rise: depth, and how long it rises and decays."""
    fall_power: Pair = (2.4, 1.7)
    """q of the softening curve v(x) = (1 + (w^q - 1) x)^(1/q) (Friberg and Sundberg 1999), with w below."""
    fall_end: float = 0.25


@dataclass(frozen=True)
class Vibrato:
    """The vibrato lane."""

    solo_cc: float = 66.0
    section_cc: float = 54.0
    """Where a long note arrives."""
    fast_share: float = 0.2
    """What fast notes show of it ..."""
    fast_s: float = 0.25
    slow_s: float = 1.6
    """... at the first length and shorter; all of it from the second on."""
    entry_share: float = 0.25
    wait_s: float = 0.12
    wait_per_length: float = 0.14
    longest_wait_s: float = 0.7
    grow_per_length: float = 0.5
    grow_s: tuple[float, float] = (0.15, 1.8)
    latest_share: float = 0.85
    """Wait and growth together take at most this share of the note."""
    solo_ease: float = 0.5
    section_ease: float = 0.2
    """How much it gives at a join. Soloists pause between slurred notes (Allen, Geringer and MacLeod 2009); a section
    never stops together."""
    join_from_s: float = 0.7
    """Notes longer than fast ones by this much give in full; shorter ones share one movement."""
    ease_s: float = 0.2
    settle_s: float = 0.4
    """Width of the moving average that keeps it from jumping into fast notes."""
    follow_dynamics: float = 0.42
    """Steps of vibrato for a step of dynamics over its centre."""


@dataclass(frozen=True)
class Breath:
    """Breath in long lines of blown and sung parts, bow changes in long bowed notes."""

    earliest_s: float = 5.0
    latest_s: float = 9.0
    """A breath comes between these times after the last rest or breath ..."""
    line_s: float = 9.0
    """... in lines longer than this."""
    depth_cc: Pair = (10.0, 9.0)
    before_s: float = 0.3
    after_s: float = 0.22
    bow_note_s: float = 6.0
    bow_every_s: tuple[float, float] = (3.2, 5.2)
    bow_cc: Pair = (3.8, 5.0)
    bow_s: tuple[float, float] = (0.14, 0.26)
    """Half-widths of a bow change: one player's, a section's."""
    bow_last_share: float = 0.35
    """No change comes within this share of an interval of the note's end."""
    length_weight: float = 0.3
    metre_weight: float = 0.2
    """A breath looks for a phrase's beginning (1 and its strength), a long note before (a second, up to two), a strong
    beat (a downbeat)."""


@dataclass(frozen=True)
class Family:
    """How a family departs from the values above; shares of depths and times."""

    dynamics: float = 1.0
    expression: float = 1.0
    attack: float = 1.0
    decay: float = 1.0
    dip: float = 1.0
    connects: bool = True
    """Whether repeats are re-articulated by lanes (bowed, blown, sung) rather than by a second stroke."""
    breathes: bool = False
    bowed: bool = False


FAMILY_TOUCH: Mapping[str, Family] = {
    "strings": Family(bowed=True),
    "woodwind": Family(dynamics=0.9, attack=0.8, decay=1.1, dip=0.95, breathes=True),
    "brass": Family(dynamics=1.4, expression=0.85, attack=0.6, decay=0.85, dip=1.1, breathes=True),
    "voice": Family(dynamics=0.95, expression=1.05, attack=1.2, decay=1.15, dip=0.9, breathes=True),
}
"""Brass: timbre grows fastest. Families not listed take the plain values and are struck or plucked."""
STRUCK = Family(connects=False)


@dataclass(frozen=True)
class Section:
    """What many players together change, as shares."""

    dip: float = 0.95
    attack: float = 1.25
    weight: float = 0.85


@dataclass(frozen=True)
class Limits:
    """What either predictor's answer is held to."""

    dynamics_cc: Pair = (12.0, 118.0)
    expression_cc: Pair = (48.0, 120.0)
    vibrato_cc: Pair = (0.0, 110.0)
    knee_cc: float = 5.0
    still_gap_s: float = 0.03
    still_tail_s: float = 0.06
    still_tail_share: float = 0.3
    """Detached notes move to the next level in the gap, if it is longer than the first, else at the note's end."""
    still_move_s: float = 0.3
    still_lead_s: float = 0.1
    """The move takes at most the first; a sustained note arrives at a detached one's level within the second."""
    """Within this distance of a bound the curve bends instead of being cut."""
    level_range_db: tuple[float, float] = (4.2, 7.2)
    """Range of level, smoothed, within a phrase; inside the promised 3 to 9 dB so that whole steps do not break it."""
    inner_range_db: float = 3.3
    """The same where only whole windows count, which see less of a short phrase."""
    smooth_s: float = 1.0
    scaled_s: float = 1.3
    """What is stretched or compressed is the curve smoothed over this: arcs, not the drift of held notes."""
    range_from_s: float = 2.0
    """Shorter phrases keep the range they have."""
    most_scale: float = 3.0
    """No phrase is stretched by more than this."""
    held_cc: float = 4.8
    held_s: float = 1.7
    """What each lane moves at least within any such stretch of a held note; 0 where a learned style decides that."""
    join_cc: float = 4.2
    repeat_cc: float = 6.8
    """What dynamics or expression falls at least at a join of longer notes, and at a repeat slower than five a second.
    """
    role_offset_db: Mapping[str, float] = field(
        default_factory=lambda: {"melody": 1.1, "counter": -1.7, "chords": -2.2, "bass": -2.2, "pedal": -2.2}
    )
    """Distance of each role's mean level from the centre's: melody about 3 dB over the rest."""
    seam_s: float = 0.3
    role_move_s: float = 0.5
    entry_rest_s: float = 0.25
    """A rest this long makes an entry."""


@dataclass(frozen=True)
class Riding:
    """How shapes change where a plan leads away from mf. Shares stand at niente, pp, p, mp, mf, f, ff."""

    shape_share: tuple[float, ...] = (0.5, 0.78, 0.86, 0.93, 1.0, 1.06, 1.0)
    """Size of arcs and notes; ff has little room above ..."""
    lean_over_cc: float = 12.0
    lean_knee_cc: float = 14.0
    """... so that above f, and below p, in full by the first, lanes bend within the second of ceiling and floor."""
    accent_share: tuple[float, ...] = (0.4, 0.6, 0.75, 0.9, 1.0, 1.2, 1.3)
    """Size of accents and sforzandi."""
    vibrato_per_cc: float = 0.005
    vibrato_bounds: tuple[float, float] = (0.7, 1.25)
    """Vibrato narrows in soft and widens in loud music by so much a step of dynamics, within these shares."""
    closing_full_cc: float = 36.0
    closing_least: float = 0.35
    """A plan that moves by the first within a closing leaves the second of the closing's own movement."""


@dataclass(frozen=True)
class RuleParameters:
    """Everything the rules can be told.

    `level` is the printed level whose centres hold; `centre_cc` overrides a lane's centre (a lone static value found in
    the file), by lane name.
    """

    level: str = "mf"
    centre_cc: Mapping[str, float] = field(default_factory=dict)
    arc: Arc = Arc()
    note: Note = field(default_factory=Note)
    dip: Dip = field(default_factory=Dip)
    repeats: Repeats = Repeats()
    held: Held = Held()
    chords: Chords = Chords()
    run: Run = Run()
    accent: Accent = Accent()
    closing: Closing = Closing()
    vibrato: Vibrato = Vibrato()
    breath: Breath = Breath()
    section: Section = Section()
    limits: Limits = field(default_factory=Limits)
    riding: Riding = Riding()
    family: Mapping[str, Family] = field(default_factory=lambda: FAMILY_TOUCH)

    def centres_cc(self) -> tuple[float, float, float]:
        """Where dynamics, expression and vibrato stand before any shaping, in steps."""
        return (
            float(self.centre_cc.get("dynamics", LEVEL_CENTRES_CC[self.level])),
            float(self.centre_cc.get("expression", EXPRESSION_CENTRES_CC[self.level])),
            float(self.centre_cc.get("vibrato", VIBRATO_CENTRE_CC)),
        )

    def touch(self, family: str) -> Family:
        """The family's departures, those of a struck instrument where it is not listed."""
        return self.family.get(family, STRUCK)


DEFAULT = RuleParameters()
