from __future__ import annotations

from PySide6.QtCore import QByteArray, QMimeData
from PySide6.QtGui import QGuiApplication, QImage
from pytestqt.qtbot import QtBot


def _mime(what: QImage | str | bytes | None) -> QMimeData:
    mime = QMimeData()
    if isinstance(what, QImage):
        mime.setImageData(what)
    elif isinstance(what, bytes):
        mime.setData("image/png", QByteArray(what))
    elif what is not None:
        mime.setText(what)
    return mime


def copy(qtbot: QtBot, what: QImage | str | bytes | None) -> None:
    """Put a picture, a text, a PNG file's bytes or nothing on the clipboard.

    Again until the display has taken it: a bare one refuses it now and then.
    """
    clipboard = QGuiApplication.clipboard()
    wanted = _mime(what).formats()

    def taken() -> bool:
        clipboard.setMimeData(_mime(what))
        return clipboard.mimeData().formats() == wanted

    qtbot.waitUntil(taken)
