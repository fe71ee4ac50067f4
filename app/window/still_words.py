"""What is said of a picture that was measured, or could not be."""

from __future__ import annotations

from measure.errors import MeasureError
from measure.results import PictureReading


def still_words(name: str, reading: PictureReading) -> str:
    """What a person should know of it that the picture does not show; often nothing."""
    words = []
    if reading.scale is not None and reading.scale.source == "ruler":
        words.append(
            f"No card in {name}: the ruler gives the scale, its marks taken for "
            f"{reading.scale.marks}."
        )
    if len(reading.strands) > 1:
        words.append(
            f"{len(reading.strands)} strands in {name}: N shows the next, space logs the one shown."
        )
    return " ".join(words)


def trouble_words(name: str, error: MeasureError) -> str:
    """Why it could not be measured, and which one it was."""
    sentence = f"{error.text} {error.advice}"
    return sentence if name in error.text else f"{name}: {sentence}"
