"""Every code a person may meet: refusals with cause and advice, cautions with their sentence.

Codes are stable: programs may rely on them. Braces are filled in where the note is made.
Failures of the scale and of reading the file carry their own words (`measure.errors`); their
codes are listed in `OTHER_REFUSALS` so that this table is whole.
"""

from __future__ import annotations

from typing import Final

from measure.results import Caution, Refusal

REFUSALS: Final[dict[str, tuple[str, str]]] = {
    "no_strand": (
        "No strand was found.",
        "Lay the strand along a lane of the card, straight across a scan, or 1 to 4 cm beside a "
        "ruler's marked edge, and let it run off both ends.",
    ),
    "too_few_pixels": (
        "The strand is only {width_px:.1f} pixels wide; a sure reading needs {needed:.0f}.",
        "Bring the camera closer, to about {share:.0f} % of the distance, or scan at a higher dpi.",
    ),
    "out_of_focus": (
        "The picture is too soft: an edge spreads over {blur_px:.1f} pixels, "
        "too much for a strand {width_px:.0f} pixels wide.",
        "Focus on the card, hold still, or step back until it is sharp.",
    ),
    "low_contrast": (
        "The strand hardly stands out from the ground behind it.",
        "Use the other lane, or lay it where the ground is of the other kind.",
    ),
    "clipped": (
        "Highlights are burnt out, so the strand's edge cannot be placed.",
        "Lower the exposure or take the direct light away.",
    ),
    "strong_shadow": (
        "Shadow and strand cannot be told apart.",
        "Use softer light, or hold the open lane against a bright plain surface.",
    ),
    "beside_lane": (
        "A strand lies along the lane's edge, half outside it.",
        "Lay it down the middle of the lane.",
    ),
    "off_card": (
        "The strand does not lie on the card: its shadow falls clear of it.",
        "Let it touch the card all along, or use the open lane.",
    ),
    "restless_ground": (
        "What shows behind the strand in the open lane is not plain.",
        "Hold the card before something even: a lit screen, a lamp shade, the sky or a dark room.",
    ),
    "touching": (
        "Two strands touch side by side and cannot be told from one thick strand.",
        "Lay them a few millimetres apart.",
    ),
    "too_short": (
        "Only {length_mm:.0f} mm of the strand can be measured.",
        "Lay it straight along the lane and keep hands clear of it.",
    ),
}

OTHER_REFUSALS: Final[tuple[str, ...]] = (
    "no_card",
    "mirrored",
    "too_few_markers",
    "tilted_too_far",
    "no_ruler",
    "ruler_unit",
    "no_dpi",
    "card_seen",
    "bad_marks",
    "lens_unsure",
    "no_sheet",
    "frame_hidden",
    "cut_card",
    "no_bank_card",
    "edge_hidden",
    "hard_shadow",
    "not_a_bank_card",
    "burnt_out",
    "too_dark",
    "bar_missing",
    "bar_length",
    "bars_disagree",
    "unreadable_file",
    "not_a_picture",
    "truncated_file",
    "too_large",
    "too_small",
)

CHOICES: Final[dict[str, tuple[str, ...]]] = {"ruler_unit": ("mm", "inch")}
"""What a person may answer to a refusal that is a question: values of `Settings.ruler`."""

CAUTIONS: Final[dict[str, str]] = {
    "unverified_scale": "The scale comes from the file's dpi tag, which nobody checked.",
    "ruler_scale": (
        "The scale comes from a ruler: how high its face stands above the strand is not known, and "
        "the interval allows for it."
    ),
    "one_ground": "Seen on {ground} ground only, so the light could not be checked.",
    "two_colours": (
        "Its plies differ in colour, which blurs where the strand ends: it may read a tenth to a "
        "third too thin. Before a lit screen, through the cut-out open lane, colours do not matter."
    ),
    "other_colour": (
        "It looks brighter on one ground than on the other, as plies of several colours do: a part "
        "of it may pass for ground there; the interval allows for it."
    ),
    "plied": (
        "Its plies rest on their bumps and shade each other, as no smooth strand does: it may read "
        "some per cent off, and the interval allows for it."
    ),
    "perhaps_plied": (
        "It may be plied, which does not show clearly enough to be counted; the interval allows "
        "for it."
    ),
    "no_shade": (
        "It throws hardly any shade on the card: held above it, it would look wider than it is; "
        "the interval allows for it."
    ),
    "grounds_disagree": (
        "Light and dark ground disagree by {percent:.1f} %; the interval allows for it."
    ),
    "shadow": "Shadow lies close to the strand on light ground; the interval allows for it.",
    "pale": (
        "Light may come through the edges of so pale a strand, so that where it ends is less sure; "
        "the interval allows for it."
    ),
    "no_cylinder": (
        "Its face is shaded unlike a smooth round strand's, as a plied, flat or fuzzy one's is; "
        "the interval allows for it."
    ),
    "few_pixels": "The strand is only {width_px:.1f} pixels wide; come closer for a surer reading.",
    "soft_focus": "The picture is soft for so fine a strand.",
    "clipped_highlights": "Some highlights are burnt out.",
    "low_contrast": "The strand stands out little from a ground that it lies on.",
    "short_length": "Only {length_mm:.0f} mm were measured; the mean of the yarn is less sure.",
    "crossing": "Places where strands cross or are covered were left out.",
    "sharpened": "The camera sharpened the picture; edges may be drawn wide.",
    "wide_interval": "The interval is wide: read it, not the middle alone.",
    "twist_cues_disagree": (
        "The bumps of the strand's edges and the texture of its face disagree about its twist."
    ),
}

TWIST_REASONS: Final[dict[str, str]] = {
    "twist_not_seen": "No twist shows clearly.",
    "twist_cues_disagree": CAUTIONS["twist_cues_disagree"],
    "plies_unsure": "Plies show, but not clearly enough to be counted.",
    "too_few_turns": "Fewer than three turns are in view.",
    "fibres_too_fine": (
        "The strand is only {width_px:.1f} pixels wide; how its fibres run shows from "
        "{needed:.0f} on."
    ),
    "fibres_not_seen": "How the fibres run does not show clearly: sharper focus may help.",
}
"""Why a reading has no number of turns."""


def refusal(code: str, strand: int | None = None, **values: object) -> Refusal:
    """The refusal of that code with its figures filled in."""
    text, advice = REFUSALS[code]
    return Refusal(code, text.format(**values), advice.format(**values), strand)


def caution(code: str, **values: object) -> Caution:
    """The caution of that code with its figures filled in."""
    return Caution(code, CAUTIONS[code].format(**values))


def twist_reason(code: str, **values: object) -> Caution:
    """Why there is no number of turns, its figures filled in."""
    return Caution(code, TWIST_REASONS[code].format(**values))
