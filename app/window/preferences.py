"""What the window remembers from one day to the next."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final, Literal

from platformdirs import user_config_path
from PySide6.QtCore import QByteArray, QSettings

from app.notebook.records import POSTURES, Posture
from measure.band import Band
from measure.twist_band import TwistBand
from measure.weight_class import CHARTS

Unit = Literal["wpi", "mm"]
Sound = Literal["off", "quiet", "on"]


_UNITS: Final[tuple[Unit, ...]] = ("wpi", "mm")
_SOUNDS: Final[tuple[Sound, ...]] = ("off", "quiet", "on")


def preferences_file() -> Path:
    """Where they are kept unless told otherwise."""
    return user_config_path("slubwise", appauthor=False) / "window.ini"


class Preferences:
    """Typed values in one ini file; whatever cannot be understood there counts as not set."""

    def __init__(self, file: Path | None = None) -> None:
        file = file or preferences_file()
        self.folder = file.parent
        """Where other things that belong to this person's window are kept too."""
        self._settings = QSettings(str(file), QSettings.Format.IniFormat)

    def _text(self, key: str) -> str:
        value = self._settings.value(key, "")
        return value if isinstance(value, str) else ""

    def _set(self, key: str, value: str) -> None:
        if self._text(key) != value:
            self._settings.setValue(key, value)

    def _bytes(self, key: str) -> QByteArray:
        return QByteArray.fromBase64(QByteArray(self._text(key).encode("ascii", "ignore")))

    def save(self) -> None:
        """Write what changed now, so that a crash later loses none of it."""
        self._settings.sync()

    @property
    def geometry(self) -> QByteArray:
        """The window's place and size, as `QWidget.saveGeometry` gives it; empty when not set."""
        return self._bytes("window/geometry")

    @geometry.setter
    def geometry(self, value: QByteArray) -> None:
        self._set("window/geometry", value.toBase64().toStdString())

    def split(self, name: str) -> QByteArray:
        """How a splitter of that name was set; empty when not set."""
        return self._bytes(f"window/split-{name}")

    def set_split(self, name: str, value: QByteArray) -> None:
        """Remember it."""
        self._set(f"window/split-{name}", value.toBase64().toStdString())

    @property
    def source(self) -> str:
        """Key of the source used last; empty when there was none."""
        return self._text("gauge/source")

    @source.setter
    def source(self, value: str) -> None:
        self._set("gauge/source", value)

    @property
    def unit(self) -> Unit:
        """Thickness in wraps per inch or in millimetres."""
        return next((u for u in _UNITS if u == self._text("gauge/unit")), "wpi")

    @unit.setter
    def unit(self, value: Unit) -> None:
        self._set("gauge/unit", value)

    @property
    def sound(self) -> Sound:
        """How loud."""
        return next((s for s in _SOUNDS if s == self._text("gauge/sound")), "off")

    @sound.setter
    def sound(self, value: Sound) -> None:
        self._set("gauge/sound", value)

    @property
    def posture(self) -> Posture:
        """How strands are presented."""
        return next((p for p in POSTURES if p == self._text("gauge/posture")), "tension")

    @posture.setter
    def posture(self, value: Posture) -> None:
        self._set("gauge/posture", value)

    @property
    def hands_free(self) -> bool:
        """Whether readings are taken by themselves."""
        return self._text("gauge/hands-free") != "no"

    @hands_free.setter
    def hands_free(self, value: bool) -> None:
        self._set("gauge/hands-free", "yes" if value else "no")

    @property
    def chart(self) -> str:
        """Name of the chart of weight classes."""
        name = self._text("gauge/chart")
        return name if name in CHARTS else next(iter(CHARTS))

    @chart.setter
    def chart(self, value: str) -> None:
        self._set("gauge/chart", value)

    @property
    def wrap_factor(self) -> float:
        """The spinner's own hand-wrapped pitch over the diameter."""
        try:
            value = float(self._text("gauge/wrap-factor"))
        except ValueError:
            return 1.0
        return value if 0.5 <= value <= 3.0 else 1.0

    @wrap_factor.setter
    def wrap_factor(self, value: float) -> None:
        self._set("gauge/wrap-factor", repr(float(value)))

    @property
    def band(self) -> Band | None:
        """The wanted range of diameters; None when not set."""
        try:
            low, high = json.loads(self._text("gauge/band-mm"))
            return Band(float(low), float(high))
        except (ValueError, TypeError):
            return None

    @band.setter
    def band(self, value: Band | None) -> None:
        self._set(
            "gauge/band-mm", "" if value is None else json.dumps([value.low_mm, value.high_mm])
        )

    @property
    def twist_band(self) -> TwistBand | None:
        """The wanted range of ply twist; None when not set."""
        try:
            low, high, balanced = json.loads(self._text("gauge/twist-band-tpi"))
            return TwistBand(float(low), float(high), bool(balanced))
        except (ValueError, TypeError):
            return None

    @twist_band.setter
    def twist_band(self, value: TwistBand | None) -> None:
        self._set(
            "gauge/twist-band-tpi",
            "" if value is None else json.dumps([value.low, value.high, value.balanced]),
        )

    @property
    def bobbin(self) -> str:
        """Id of the bobbin being spun; empty when none was chosen."""
        return self._text("gauge/bobbin")

    @bobbin.setter
    def bobbin(self, value: str) -> None:
        self._set("gauge/bobbin", value)

    @property
    def cautioned(self) -> bool:
        """Whether the cautions at the wheel were shown: once is enough."""
        return self._text("window/cautioned") == "yes"

    @cautioned.setter
    def cautioned(self, value: bool) -> None:
        self._set("window/cautioned", "yes" if value else "")

    @property
    def page(self) -> str:
        """Name of the page shown last."""
        return self._text("window/page")

    @page.setter
    def page(self, value: str) -> None:
        self._set("window/page", value)
