"""Panels, headings and quiet words, alike on every page."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QFont
from PySide6.QtWidgets import QFrame, QLabel, QScrollArea, QSizePolicy, QVBoxLayout, QWidget


def panel(margin: int = 10) -> tuple[QFrame, QVBoxLayout]:
    """A framed panel, and the layout that its parts go into below each other."""
    frame = QFrame()
    frame.setObjectName("panel")
    layout = QVBoxLayout(frame)
    layout.setContentsMargins(margin, margin, margin, margin)
    layout.setSpacing(6)
    return frame, layout


def headed_panel(title: str, *parts: QWidget, stretch: QWidget) -> QFrame:
    """A panel under a heading, filled by one of its parts."""
    frame, layout = panel()
    frame.setAccessibleName(title)
    frame.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
    layout.setSpacing(8)
    layout.addWidget(_heading(title))
    for part in parts:
        layout.addWidget(part, 1 if part is stretch else 0)
    return frame


def scrolled_panel(title: str, *parts: QWidget) -> QScrollArea:
    """A panel under a heading that scrolls when there is more than fits."""
    inside = QWidget()
    layout = QVBoxLayout(inside)
    layout.setContentsMargins(10, 10, 10, 10)
    layout.addWidget(_heading(title))
    for part in parts:
        layout.addWidget(part)
    layout.addStretch(1)
    area = QScrollArea()
    area.setObjectName("panel")
    area.setAccessibleName(title)
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setWidget(inside)
    # A scroll area fills what it is given with the window's colour: the panel's own shows through.
    inside.setAutoFillBackground(False)
    area.viewport().setAutoFillBackground(False)
    return area


def quiet_label(name: str = "", text: str = "") -> QLabel:
    """Plain words in the quiet colour; `name` is their accessible name."""
    label = QLabel(text)
    label.setObjectName("quiet")
    label.setTextFormat(Qt.TextFormat.PlainText)
    label.setWordWrap(True)
    if name:
        label.setAccessibleName(name)
    return label


def heading_font(widget: QWidget, factor: float) -> QFont:
    """The widget's font, bold and larger by that factor."""
    font = QFont(widget.font())
    font.setBold(True)
    if font.pointSizeF() > 0:
        font.setPointSizeF(font.pointSizeF() * factor)
    return font


def _heading(title: str) -> QLabel:
    heading = QLabel(title)
    heading.setFont(heading_font(heading, 1.15))
    return heading
