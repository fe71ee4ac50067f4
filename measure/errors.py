"""Failures that a person can do something about."""

from __future__ import annotations


class MeasureError(Exception):
    """No reading, and why: `code` is stable, `text` says the cause and `advice` what to do.

    `text` and `advice` are one plain sentence each; `str()` of the error is `text`.
    """

    def __init__(self, code: str, text: str, advice: str) -> None:
        # All three stay in `args`, so that the error survives the way back from a worker process.
        super().__init__(code, text, advice)
        self.code = code
        self.text = text
        self.advice = advice

    def __str__(self) -> str:
        return self.text


class PictureError(MeasureError):
    """What was given could not be read as a picture."""
