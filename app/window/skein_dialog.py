"""Where a new skein is made: its name, the bobbins it was plied from, how."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QSpinBox,
    QVBoxLayout,
    QWidget,
)

from app.bobbin_sources import one_line
from app.notebook.records import Bobbin, Spin
from app.window.panel import field_label, number_field, quiet_label


@dataclass(frozen=True)
class NewSkein:
    """What was filled in."""

    spin_id: str
    name: str
    bobbin_ids: tuple[str, ...]
    method: str
    plies: int | None


class SkeinDialog(QDialog):
    """A new skein."""

    def __init__(
        self,
        parent: QWidget,
        spins: Sequence[tuple[Spin, Sequence[Bobbin]]],
        chosen: str = "",
        taken: Sequence[str] = (),
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle("New skein")
        self._spins = spins
        self._taken = set(taken)
        self.spin = QComboBox()
        self.spin.setMinimumContentsLength(18)
        for spin, _ in spins:
            self.spin.addItem(one_line(spin.name) or "spin", spin.id)
        self.name = QLineEdit()
        self.name.setMaxLength(10_000)
        self.bobbins = QListWidget()
        self.bobbins.setMaximumHeight(8 * self.fontMetrics().height())
        self.method = QComboBox()
        self.method.setEditable(True)
        self.method.addItems(["plied", "chain-plied", "single"])
        self.plies = number_field(QSpinBox)
        self.plies.setRange(0, 99)
        self.plies.setSpecialValueText("as many as bobbins")
        form = QFormLayout()
        for title, field in (
            ("&Spin", self.spin),
            ("&Name", self.name),
            ("&Bobbins plied", self.bobbins),
            ("&How", self.method),
            ("&Plies", self.plies),
        ):
            field.setAccessibleName(title.replace("&", ""))
            form.addRow(field_label(title, field), field)
        standard = QDialogButtonBox.StandardButton
        self.buttons = QDialogButtonBox(standard.Ok | standard.Cancel)
        self.buttons.button(standard.Ok).setProperty("main", True)
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(quiet_label(text="Tick the bobbins it was plied from."))
        layout.addLayout(form)
        layout.addWidget(self.buttons)
        self.spin.currentIndexChanged.connect(self._show_bobbins)
        self.name.textChanged.connect(self._check)
        self.spin.setCurrentIndex(max(self.spin.findData(chosen), 0))
        self._show_bobbins()

    def _show_bobbins(self) -> None:
        self.bobbins.clear()
        index = self.spin.currentIndex()
        if index >= 0:
            spin, bobbins = self._spins[index]
            for bobbin in bobbins:
                item = QListWidgetItem(one_line(bobbin.name) or "bobbin")
                item.setData(Qt.ItemDataRole.UserRole, bobbin.id)
                item.setCheckState(Qt.CheckState.Checked)
                self.bobbins.addItem(item)
            number, base = 1, one_line(spin.name) or "Skein"
            while f"{base} {number}" in self._taken:
                number += 1
            self.name.setText(f"{base} {number}")
        self._check()

    def _check(self) -> None:
        ok = self.buttons.button(QDialogButtonBox.StandardButton.Ok)
        ok.setEnabled(bool(self.name.text().strip()) and self.spin.currentIndex() >= 0)

    def filled_in(self) -> NewSkein:
        """What was filled in."""
        items = [self.bobbins.item(row) for row in range(self.bobbins.count())]
        return NewSkein(
            spin_id=self.spin.currentData(),
            name=self.name.text(),
            bobbin_ids=tuple(
                item.data(Qt.ItemDataRole.UserRole)
                for item in items
                if item.checkState() == Qt.CheckState.Checked
            ),
            method=self.method.currentText(),
            plies=self.plies.value() or None,
        )
