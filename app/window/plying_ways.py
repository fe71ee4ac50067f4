"""Ways to ply in words: the evenest, the spinner's own, the worst."""

from __future__ import annotations

from PySide6.QtGui import QFont
from PySide6.QtWidgets import QLabel, QVBoxLayout, QWidget

from app.window.panel import words_label
from app.window.preferences import Unit
from measure.match import listed
from measure.pairing import Pairing, Plying
from measure.yarn import diameter_mm_from_wpi


class PlyingWays(QWidget):
    """For each way how thick and how even the yarn would be, and what is plied together."""

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._pairing: Pairing | None = None
        self._unit: Unit = "wpi"
        self._wrap = 1.0
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(2)
        self._ways: list[tuple[QLabel, QLabel]] = []
        for _ in range(3):
            heading, groups = words_label("A way to ply"), words_label("Its plies")
            strong = QFont(heading.font())
            strong.setBold(True)
            heading.setFont(strong)
            groups.setIndent(groups.fontMetrics().height())
            layout.addWidget(heading)
            layout.addWidget(groups)
            layout.addSpacing(4)
            self._ways.append((heading, groups))

    def set_pairing(self, pairing: Pairing | None) -> None:
        """Show these ways; None empties it."""
        self._pairing = pairing
        self._fill()

    def set_unit(self, unit: Unit, wrap_factor: float) -> None:
        """Say thickness in WPI, turns `wrap_factor` diameters apart, or in mm."""
        self._unit, self._wrap = unit, wrap_factor
        self._fill()

    def text(self) -> str:
        """All that is shown."""
        return "\n".join(label.text() for way in self._ways for label in way)

    def _fill(self) -> None:
        pairing = self._pairing
        if pairing is None:
            for heading, groups in self._ways:
                heading.clear()
                groups.clear()
            return
        own = "As you have it" if pairing.own_given else "In order"
        named = (("Evenest", pairing.best), (own, pairing.own), ("Worst", pairing.worst))
        for (heading, groups), (name, plying) in zip(self._ways, named, strict=True):
            heading.setText(f"{name}: {self._figures(plying)}")
            lines = [" + ".join(str(end) for end in group.ends) for group in plying.groups]
            if plying.left_over:
                lines.append(f"{listed(plying.left_over)} left over")
            groups.setText("\n".join(lines))

    def _figures(self, plying: Plying) -> str:
        coarse, fine = plying.wpi_interval
        if self._unit == "mm":
            thin, thick = (diameter_mm_from_wpi(w, self._wrap) for w in (fine, coarse))
            size = f"{thin:.2f} to {thick:.2f}\N{NO-BREAK SPACE}mm"
        else:
            decimals = 0 if fine - coarse >= 2 else 1
            size = f"{coarse:.{decimals}f} to {fine:.{decimals}f}\N{NO-BREAK SPACE}WPI"
        out = f"{size}, CV {plying.cv_percent:.1f}\N{NO-BREAK SPACE}%"
        left = round(100 * plying.left_over_share)
        return out + (f", {left}\N{NO-BREAK SPACE}% of all left over" if left else "")
