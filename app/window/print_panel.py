"""Printing or saving a card: which, on what paper, and how the sheet will look."""

from __future__ import annotations

from pathlib import Path
from typing import Final, cast

from PySide6.QtCore import QMarginsF, QSizeF, Signal
from PySide6.QtGui import QPageLayout, QPageSize, QPainter
from PySide6.QtPrintSupport import QPrintDialog, QPrinter
from PySide6.QtWidgets import (
    QComboBox,
    QDialog,
    QFileDialog,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from app.card_sheet import FileFormat, card_file, paint_sheet
from app.sheet import Paper, lay_out
from app.window.flow_row import FlowRow
from app.window.panel import headed_panel, quiet_label
from app.window.sheet_preview import SheetPreview
from measure.card import CardKind, newest_card

_KINDS: Final[tuple[tuple[str, CardKind], ...]] = (
    ("Desk card", "desk"),
    ("Pocket card", "pocket"),
)
_PAPERS: Final[tuple[tuple[str, Paper], ...]] = (("A4", "a4"), ("US Letter", "letter"))
_ENDINGS: Final[tuple[tuple[str, FileFormat], ...]] = (
    ("PDF sheet (*.pdf)", "pdf"),
    ("SVG sheet (*.svg)", "svg"),
    ("PNG of the bare card (*.png)", "png"),
)


class PrintPanel(QWidget):
    """Chooses a card and a paper, shows the sheet, prints and saves it."""

    printed = Signal()
    """The sheet chosen went to the printer."""
    said = Signal(str)

    def __init__(self, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.preview = SheetPreview()
        self._kind, self._paper = QComboBox(), QComboBox()
        for title, kind in _KINDS:
            self._kind.addItem(title, kind)
        for title, paper in _PAPERS:
            self._paper.addItem(title, paper)
        for box in (self._kind, self._paper):
            box.setSizeAdjustPolicy(
                QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon
            )
            box.setMinimumContentsLength(9)
            box.activated.connect(self._show_print_choice)
        self._kind.setToolTip("Desk: 182 x 104 mm, for the table. Pocket: bank-card size, to carry")
        self._paper.setToolTip("The paper in the printer")
        choice = FlowRow()
        choice.add("Car&d", self._kind)
        choice.add("P&aper", self._paper)
        self._print = QPushButton("&Print…")
        self._print.setProperty("main", "true")
        self._print.setToolTip("Print the sheet at its true size and add it to the printed cards")
        self._print.clicked.connect(self.print_card)
        self._save = QPushButton("&Save as…")
        self._save.setToolTip("Save the sheet as PDF or SVG, or the bare card as PNG")
        self._save.clicked.connect(self.save_card)
        buttons = FlowRow()
        buttons.add("", self._print)
        buttons.add("", self._save)
        how = quiet_label(
            text="At 100 %, no fit to page. Plain matt paper, black ink, best quality."
        )
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(
            headed_panel("Print a card", choice, self.preview, how, buttons, stretch=self.preview)
        )
        self._show_print_choice()

    def set_kind(self, kind: CardKind) -> None:
        """Choose another kind of card to print."""
        self._kind.setCurrentIndex([k for _, k in _KINDS].index(kind))
        self._show_print_choice()

    @property
    def kind(self) -> CardKind:
        """The kind of card chosen to print."""
        return cast(CardKind, self._kind.currentData())

    @property
    def paper(self) -> Paper:
        """The paper chosen to print on."""
        return cast(Paper, self._paper.currentData())

    def _show_print_choice(self) -> None:
        self.preview.show_sheet(self.kind, self.paper)

    def print_card(self) -> None:
        """Ask for a printer and print the sheet at its true size."""
        printer = QPrinter(QPrinter.PrinterMode.HighResolution)
        self._set_up(printer)
        dialog = QPrintDialog(printer, self)
        dialog.setWindowTitle("Print the card")
        if dialog.exec() == QDialog.DialogCode.Accepted:
            self.print_on(printer)

    def _set_up(self, printer: QPrinter) -> None:
        sheet = lay_out(newest_card(self.kind), self.paper)
        printer.setPageSize(
            QPageSize(
                QSizeF(sheet.width_mm, sheet.height_mm),
                QPageSize.Unit.Millimeter,
                sheet.paper,
                QPageSize.SizeMatchPolicy.FuzzyMatch,
            )
        )
        printer.setPageOrientation(QPageLayout.Orientation.Portrait)
        printer.setFullPage(True)
        printer.setPageMargins(QMarginsF(0, 0, 0, 0))
        printer.setDocName(sheet.title)

    def print_on(self, printer: QPrinter) -> None:
        """Print the sheet on a printer that was chosen, and tell that it was."""
        sheet = lay_out(newest_card(self.kind), self.paper)
        size = printer.pageLayout().fullRect(QPageLayout.Unit.Millimeter)
        if abs(size.width() - sheet.width_mm) > 3 or abs(size.height() - sheet.height_mm) > 3:
            self.said.emit(
                f"The printer is set to paper of {size.width():.0f} x {size.height():.0f} mm, "
                f"the sheet is {sheet.width_mm:.0f} x {sheet.height_mm:.0f} mm: choose the same "
                "paper in both places. Nothing was printed."
            )
            return
        printer.setFullPage(True)
        painter = QPainter()
        if not painter.begin(printer):
            self.said.emit("The printer does not answer. See that it is switched on, try again.")
            return
        # A printer may have finer dots one way than the other.
        across, down = printer.logicalDpiX() / 25.4, printer.logicalDpiY() / 25.4
        painter.scale(1.0, down / across)
        paint_sheet(painter, sheet, across)
        painter.end()
        self.printed.emit()

    def save_card(self) -> None:
        """Ask where, and save the sheet or the bare card."""
        card = newest_card(self.kind)
        name, chosen = QFileDialog.getSaveFileName(
            self,
            "Save the card",
            f"slubwise-card-{card.kind}-{self.paper}.pdf",
            ";;".join(title for title, _ in _ENDINGS),
        )
        if name:
            wanted: FileFormat = "pdf"
            wanted = next((form for title, form in _ENDINGS if title == chosen), wanted)
            self.save_to(Path(name), wanted)

    def save_to(self, path: Path, file_format: FileFormat = "pdf") -> None:
        """Save the sheet; a name's ending goes before the format."""
        known = {f".{form}": form for _, form in _ENDINGS}
        if path.suffix.lower() in known:
            file_format = known[path.suffix.lower()]
        else:
            path = path.with_name(f"{path.name}.{file_format}")
        content = card_file(newest_card(self.kind), paper=self.paper, file_format=file_format)
        try:
            path.write_bytes(content)
        except OSError as error:
            self.said.emit(f"{path.name} could not be saved: {error.strerror or error}.")
        else:
            self.said.emit(f"Saved as {path.name}. Print it at 100 %, then add it to the list.")
