"""The picture on screen: right place, right colours, any size, and hands on it."""

from dataclasses import replace

import numpy as np
import pytest
from PySide6.QtCore import QEvent, QMimeData, QPoint, QPointF, QRect, QRectF, Qt, QUrl
from PySide6.QtGui import (
    QDragEnterEvent,
    QDropEvent,
    QImage,
    QKeyEvent,
    QPainter,
    QTransform,
    QWheelEvent,
)

from app.drawing import STRAND_COLOURS
from app.window.frame import Frame
from app.window.picture_marks import draw_marks, marks_of, marks_place
from app.window.picture_scaling import ScaledPicture, image_of
from app.window.picture_view import PictureView
from app.window.theme import DARK, LIGHT
from measure.notes import refusal

LEFT = Qt.MouseButton.LeftButton


@pytest.fixture
def view(qtbot):
    widget = PictureView()
    qtbot.addWidget(widget)
    widget.resize(600, 400)
    return widget


def array_of(image):
    image = image.convertToFormat(QImage.Format.Format_RGB888)
    flat = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), -1)
    return flat[:, : 3 * image.width()].reshape(image.height(), image.width(), 3).copy()


def grabbed(widget):
    return array_of(widget.grab().toImage())


def chequered(rows, columns, seed=0):
    return np.random.default_rng(seed).integers(0, 256, (rows, columns, 3), np.uint8)


def key(widget, which):
    """Press a key; whether the widget took it for itself."""
    event = QKeyEvent(QEvent.Type.KeyPress, which, Qt.KeyboardModifier.NoModifier)
    widget.keyPressEvent(event)
    return event.isAccepted()


# --- scaling ----------------------------------------------------------------------------------


def test_an_image_has_the_pixels_colours():
    pixels = chequered(20, 31)
    pixels.flags.writeable = False
    for part in (pixels, pixels[3:9, 4:20], pixels[:, :, ::-1], pixels[:, :, 0].copy()):
        shown = array_of(image_of(part))
        assert np.array_equal(shown, part if part.ndim == 3 else np.repeat(part[..., None], 3, 2))


def test_pixels_that_do_not_lie_in_rows_are_shown_right_too():
    pixels = chequered(12, 20)
    assert np.array_equal(array_of(image_of(pixels[:, ::-1])), pixels[:, ::-1])
    assert np.array_equal(array_of(image_of(pixels[::-1])), pixels[::-1])


@pytest.mark.parametrize(
    "shape", [(1, 1, 3), (3, 4000, 3), (4000, 3), (5000, 7000), (721, 1283, 3)]
)
def test_any_size_and_shape_is_scaled_to_any(shape):
    rows, columns = shape[:2]
    pixels = np.full(shape, 90, np.uint8)
    pixels[: (rows + 1) // 2] = 200
    picture = ScaledPicture(pixels)
    for width, height in ((1, 1), (320, 200), (7, 600)):
        got = array_of(picture.part(QRect(0, 0, columns, rows), width, height))
        assert got.shape == (height, width, 3)
        assert got.min() >= 90
        assert got.max() <= 200
        if rows > 1 and height > 1:
            assert got[0].min() == 200
            assert got[-1].max() == 90


def test_pixels_with_blue_first_are_scaled_alike():
    pixels = chequered(90, 160)
    turned = np.ascontiguousarray(pixels[:, :, ::-1])[:, :, ::-1]
    whole = QRect(0, 0, 160, 90)
    for size in ((160, 90), (100, 56), (31, 17), (800, 450)):
        assert np.array_equal(
            array_of(ScaledPicture(turned).part(whole, *size)),
            array_of(ScaledPicture(pixels).part(whole, *size)),
        )


@pytest.mark.parametrize("dtype", [np.uint16, np.float32, np.uint8])
def test_deeper_pixels_keep_their_brightness(dtype):
    top = {np.uint16: 65535, np.float32: 1.0, np.uint8: 255}[dtype]
    pixels = np.full((8, 8, 4), 0.5 * top, dtype)
    got = array_of(ScaledPicture(pixels).part(QRect(0, 0, 8, 8), 8, 8))
    assert abs(int(got[4, 4, 0]) - 127) <= 1


@pytest.mark.parametrize("shown", [900, 700, 400, 233])
def test_a_fine_strand_neither_vanishes_nor_thickens(shown):
    """Scaling down keeps the ink of lines one pixel wide, wherever they lie."""
    pixels = np.full((1080, 1920), 255, np.uint8)
    lines = np.arange(40, 1040, 37)
    pixels[lines] = 0
    height = round(shown * 1080 / 1920)
    got = array_of(ScaledPicture(pixels).part(QRect(0, 0, 1920, 1080), shown, height))
    ink = (255.0 - got[:, shown // 2, 0]) * 1080 / height
    # Interpolated between one and two pixels to one, a line counts for three to five quarters.
    assert ink.sum() == pytest.approx(255.0 * len(lines), rel=0.2)
    expected = (lines + 0.5) * height / 1080
    for place in expected:
        near = ink[max(0, int(place) - 2) : int(place) + 3].sum()
        assert near == pytest.approx(255.0, rel=0.7)


def test_a_part_shows_that_part():
    pixels = chequered(300, 400)
    got = array_of(ScaledPicture(pixels).part(QRect(30, 40, 50, 60), 50, 60))
    assert np.array_equal(got, pixels[40:100, 30:80])
    big = array_of(ScaledPicture(pixels).part(QRect(30, 40, 5, 6), 40, 48))
    assert np.array_equal(big, pixels[40:46, 30:35].repeat(8, axis=0).repeat(8, axis=1))


# --- what is shown ----------------------------------------------------------------------------


def test_a_frame_fills_the_view_as_far_as_its_shape_allows(view):
    pixels = np.full((100, 300, 3), (10, 200, 30), np.uint8)
    pixels.flags.writeable = False
    view.show_frame(Frame(pixels, 0.0, 1))
    got = grabbed(view)
    green = np.abs(got.astype(int) - (10, 200, 30)).max(axis=2) < 3
    assert green.any(axis=1).sum() == 200  # 600 x 200 in 600 x 400
    assert green.any(axis=0).sum() == 600
    back = [int(LIGHT.picture_back[i : i + 2], 16) for i in (1, 3, 5)]
    assert np.abs(got[20, 300].astype(int) - back).max() <= 1


def test_a_tiny_picture_is_enlarged_but_not_without_end(view):
    view.show_still(np.full((10, 10, 3), 255, np.uint8))
    assert view.scale == 6.0


def _level(reading, y_px=60.0):
    """The fixture's first strand with its edges exactly 10 px above and below a level line."""
    strand = reading.strands[0]
    centre = np.stack([np.linspace(40.0, 540.0, 400), np.full(400, y_px)], axis=1)
    off = np.array([0.0, 10.0])
    outline = replace(strand.outline, centre_px=centre, left_px=centre - off, right_px=centre + off)
    return replace(strand, outline=outline, width_px=20.0)


def _rows_of(picture, colour, column):
    away = np.abs(picture[:, column].astype(int) - colour).max(axis=1)
    return np.flatnonzero(away < 60)


@pytest.mark.parametrize("copy_of", [1, 2])
def test_outlines_lie_at_the_edges_just_outside(view, reading, copy_of):
    """Shown at 1 to 1, from a picture measured at that size or at twice of it."""
    grey = np.full((400, 600, 3), 120, np.uint8)
    view.show_still(grey)
    strand = _level(reading)
    if copy_of == 2:
        o = strand.outline
        twice = [2 * p + 0.5 for p in (o.centre_px, o.left_px, o.right_px)]
        outline = replace(o, centre_px=twice[0], left_px=twice[1], right_px=twice[2])
        strand = replace(strand, outline=outline)
    view.set_reading(
        replace(
            reading, width_px=600 * copy_of, height_px=400 * copy_of, strands=(strand,), refusals=()
        )
    )
    rows = _rows_of(grabbed(view), STRAND_COLOURS[0], 300)
    upper, lower = rows[rows < 60], rows[rows > 60]
    # Pixel centres count as whole numbers: the edges' places are 50.5 and 70.5 of the view.
    assert set(upper) <= {47, 48, 49, 50}
    assert set(lower) <= {70, 71, 72, 73}
    assert len(upper) >= 1
    assert len(lower) >= 1
    assert not len(_rows_of(grabbed(view)[55:66], STRAND_COLOURS[0], 300))


@pytest.mark.parametrize("plates", [False, True])
@pytest.mark.parametrize("zoom", [0.4, 1.6])
def test_marks_lie_where_they_are_said_to(reading, plates, zoom):
    """Only that part is laid over a frame."""
    strands = reading.strands if plates else reading.strands[:1]
    marks = marks_of(
        replace(reading, strands=strands), (), scale=1.0, unit="wpi", wrap_factor=1.0, in_full=False
    )
    drawn = QImage(600, 400, QImage.Format.Format_ARGB32)
    drawn.fill(Qt.GlobalColor.transparent)
    view, to_view = QRectF(0, 0, 600, 400), QTransform(zoom, 0, 0, zoom, -20, -30)
    painter = QPainter(drawn)
    draw_marks(painter, marks, to_view, view, LIGHT, None)
    painter.end()
    alpha = np.frombuffer(drawn.constBits(), np.uint8).reshape(400, 600, 4)[:, :, 3].copy()
    assert alpha.any()
    place = marks_place(marks, to_view, view).toAlignedRect().intersected(drawn.rect())
    assert (place == drawn.rect()) == plates
    alpha[place.top() : place.bottom() + 1, place.left() : place.right() + 1] = 0
    assert not alpha.any()


def test_a_gap_in_what_was_measured_is_a_gap_in_the_outline(view, reading):
    view.show_still(np.full((400, 600, 3), 120, np.uint8))
    view.set_reading(replace(reading, strands=reading.strands[:1], refusals=()))
    shown = grabbed(view)
    # The fixture leaves 50 to 55 mm out: 5 px a mm from 40 px on.
    assert len(_rows_of(shown, STRAND_COLOURS[0], 250))
    assert not len(_rows_of(shown, STRAND_COLOURS[0], 302))


def test_the_chosen_strand_stands_out(view, reading):
    view.show_still(np.full((400, 600, 3), 120, np.uint8))
    view.set_reading(reading)
    view.set_chosen(1)
    one = grabbed(view)
    view.set_chosen(2)
    assert np.count_nonzero((one != grabbed(view)).any(axis=2)) > 200


def test_reasons_are_told_and_may_be_steadied_by_the_caller(view, reading):
    view.show_still(np.zeros((400, 600, 3), np.uint8))
    view.set_reading(reading)
    assert view.accessibleDescription() == (
        "2 strands read. 3: A strand lies along the lane’s edge. Lay it down."
    )
    view.set_reading(reading, [refusal("no_strand")])
    assert "No strand was found." in view.accessibleDescription()
    view.set_reading(reading, [])
    assert view.accessibleDescription() == "2 strands read."


def test_in_a_running_picture_reasons_are_short_and_plates_bare(view, reading):
    frame = np.zeros((400, 600, 3), np.uint8)
    view.show_frame(Frame(frame, 0.0, 1))
    view.set_reading(replace(reading, strands=reading.strands[:1], refusals=()))
    without = grabbed(view)
    view.show_still(frame)
    view.set_reading(replace(reading, strands=reading.strands[:1], refusals=()))
    assert np.count_nonzero((without != grabbed(view)).any(axis=2)) > 100  # the plate's figure
    view.show_frame(Frame(frame, 0.1, 2))
    view.set_reading(reading)
    assert view.accessibleDescription() == "2 strands read. A strand lies along the lane’s edge."


def test_outlines_stay_from_frame_to_frame_but_not_on_another_picture(view, reading):
    frame = np.full((400, 600, 3), 120, np.uint8)
    view.show_frame(Frame(frame, 0.0, 1))
    view.set_reading(reading)
    view.show_frame(Frame(frame.copy(), 0.1, 2))
    assert len(_rows_of(grabbed(view), STRAND_COLOURS[0], 250))
    view.show_still(frame)
    assert not len(_rows_of(grabbed(view), STRAND_COLOURS[0], 250))


def test_the_unit_changes_the_plates(view, reading):
    view.show_still(np.zeros((400, 600, 3), np.uint8))
    view.set_reading(reading)
    wraps = grabbed(view)
    view.set_unit("mm")
    assert np.count_nonzero((wraps != grabbed(view)).any(axis=2)) > 50


def test_plates_stay_in_sight_when_zoomed_in(view, reading):
    view.show_still(np.full((400, 600, 3), 120, np.uint8))
    view.set_reading(replace(reading, strands=reading.strands[:1], refusals=()))
    view.zoom(6.0, QPointF(200, 150))
    panel = [int(LIGHT.panel[i : i + 2], 16) for i in (1, 3, 5)]
    plate = np.abs(grabbed(view).astype(int) - panel).max(axis=2) < 4
    assert np.count_nonzero(plate) > 500


def test_nothing_shown_says_what_to_do(view):
    assert view.accessibleDescription() == "Drop a picture here, paste one, or choose a camera."
    empty = grabbed(view)
    assert np.count_nonzero(np.abs(empty.astype(int) - empty[2, 2]).max(axis=2) > 60) > 300
    view.show_still(np.zeros((40, 60, 3), np.uint8))
    view.clear("The camera is gone.")
    assert view.accessibleDescription() == "The camera is gone."
    view.set_theme(DARK)
    assert grabbed(view).mean() < 60


@pytest.mark.parametrize("size", [(240, 160), (300, 800), (1500, 300)])
def test_marks_are_drawn_at_any_size_of_the_view(view, reading, size):
    font = view.font()
    font.setPointSizeF(font.pointSizeF() * 1.5)
    view.setFont(font)
    view.resize(*size)
    view.show_still(np.full((400, 600, 3), 120, np.uint8))
    bare = grabbed(view)
    view.set_reading(reading)
    assert np.count_nonzero((bare != grabbed(view)).any(axis=2)) > 100


# --- zoom and move ----------------------------------------------------------------------------


def _marked(view):
    """A picture with one red pixel block at (450, 150) of 600 x 400."""
    pixels = np.full((400, 600, 3), 30, np.uint8)
    pixels[145:156, 445:456] = (250, 0, 0)
    view.show_still(pixels)


def _red_middle(view):
    got = grabbed(view).astype(int)
    y, x = np.nonzero((got[..., 0] > 200) & (got[..., 1] < 60))
    return (x.mean(), y.mean()) if len(x) else None


def test_the_wheel_zooms_about_the_pointer(view):
    _marked(view)
    at = QPointF(450.5, 150.5)
    event = QWheelEvent(
        at,
        view.mapToGlobal(at),
        QPoint(),
        QPoint(0, 360),
        Qt.MouseButton.NoButton,
        Qt.KeyboardModifier.NoModifier,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    view.wheelEvent(event)
    assert view.scale == pytest.approx(1.25**3)
    assert _red_middle(view) == pytest.approx((450, 150), abs=1.0)


def test_keys_zoom_move_and_fit(view):
    _marked(view)
    assert not key(view, Qt.Key.Key_Left)  # nothing to move: the window may want it
    assert key(view, Qt.Key.Key_Plus)
    assert key(view, Qt.Key.Key_Plus)
    assert view.scale == pytest.approx(1.25**2)
    x, y = _red_middle(view)
    assert key(view, Qt.Key.Key_Right)
    assert _red_middle(view) == pytest.approx((x - 40, y), abs=1.0)
    assert key(view, Qt.Key.Key_Down)
    assert _red_middle(view) == pytest.approx((x - 40, y - 40), abs=1.0)
    assert key(view, Qt.Key.Key_Minus)
    assert view.scale == pytest.approx(1.25)
    assert key(view, Qt.Key.Key_0)
    assert view.scale == 1.0
    for other in (Qt.Key.Key_Space, Qt.Key.Key_Z):
        assert not key(view, other)


def test_zoom_ends_at_the_whole_picture_and_at_single_pixels(view):
    _marked(view)
    view.zoom(0.01)
    assert view.scale == 1.0
    view.zoom(1e6)
    assert view.scale == 24.0


def test_no_gap_opens_beside_a_picture_that_is_moved(view):
    view.show_still(np.full((400, 600, 3), (200, 40, 40), np.uint8))
    view.zoom(2.0)
    view.move_by(5000, 5000)
    assert np.abs(grabbed(view).astype(int) - (200, 40, 40)).max() <= 1


def test_dragging_moves_and_a_click_chooses(view, reading, qtbot):
    _marked(view)
    view.set_reading(reading)
    chosen = []
    view.strand_chosen.connect(chosen.append)
    qtbot.mouseClick(view, LEFT, pos=QPoint(200, 152))
    qtbot.mouseClick(view, LEFT, pos=QPoint(200, 300))
    assert chosen == [1]
    view.zoom(1.5)
    x, y = _red_middle(view)
    qtbot.mousePress(view, LEFT, pos=QPoint(300, 200))
    qtbot.mouseMove(view, QPoint(280, 190))
    qtbot.mouseMove(view, QPoint(270, 180))
    qtbot.mouseRelease(view, LEFT, pos=QPoint(270, 180))
    assert _red_middle(view) == pytest.approx((x - 30, y - 20), abs=1.5)
    assert chosen == [1]


def test_a_double_click_changes_between_fitting_and_one_to_one(view, qtbot):
    view.show_still(np.zeros((800, 1200, 3), np.uint8))
    qtbot.mouseDClick(view, LEFT, pos=QPoint(300, 200))
    assert view.scale == 1.0
    qtbot.mouseDClick(view, LEFT, pos=QPoint(300, 200))
    assert view.scale == 0.5


def test_a_new_size_of_the_view_fits_again_unless_zoomed(view):
    _marked(view)
    view.resize(300, 400)
    view.show()
    assert view.scale == 0.5
    view.zoom(3.0)
    view.resize(600, 400)
    assert view.scale == 1.5


# --- files ------------------------------------------------------------------------------------


def test_files_dropped_on_it_are_handed_on(view):
    files = QMimeData()
    files.setUrls([QUrl.fromLocalFile("/photos/strand.jpg")])
    text = QMimeData()
    text.setText("no file")
    got = []
    view.dropped.connect(lambda mime: got.append(mime.urls()[0].toLocalFile()))
    action, none = Qt.DropAction.CopyAction, Qt.KeyboardModifier.NoModifier
    wrong = QDragEnterEvent(QPoint(5, 5), action, text, LEFT, none)
    wrong.ignore()
    view.dragEnterEvent(wrong)
    assert not wrong.isAccepted()
    right = QDragEnterEvent(QPoint(5, 5), action, files, LEFT, none)
    view.dragEnterEvent(right)
    assert right.isAccepted()
    near = grabbed(view)
    view.dropEvent(QDropEvent(QPointF(5, 5), action, files, LEFT, none))
    assert got == ["/photos/strand.jpg"]
    assert np.count_nonzero((near != grabbed(view)).any(axis=2)) > 1000  # the frame is gone
