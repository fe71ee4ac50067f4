"""The band set by hand: three ways to say one band, two units, and words for what cannot be."""

import pytest

from app.window.band_editor import BandEditor
from app.window.theme import DARK
from measure.band import Band

BAND = Band.from_wpi(24, 30)


@pytest.fixture
def editor(qtbot):
    widget = BandEditor()
    qtbot.addWidget(widget)
    widget.got = []
    widget.changed.connect(widget.got.append)
    return widget


def child(editor, name):
    (found,) = [w for w in editor.children() if getattr(w, "accessibleName", str)() == name]
    return found


def text(editor, name):
    return child(editor, name).text()


def type_into(editor, qtbot, name, what):
    edit = child(editor, name)
    edit.selectAll()
    if what:
        qtbot.keyClicks(edit, what)
    else:
        edit.clear()
        edit.textEdited.emit("")


def pick(editor, name, row):
    box = child(editor, name)
    box.setCurrentIndex(row)
    box.activated.emit(row)


def test_a_band_is_said_in_every_way(editor):
    editor.set_band(BAND)
    assert (text(editor, "Low end"), text(editor, "High end")) == ("24", "30")
    assert (text(editor, "Middle"), text(editor, "Per cent either way")) == ("27", "11.1")
    # 25.4 / 30 and 25.4 / 24 mm
    assert text(editor, "The band in the other unit") == "That is 0.847 to 1.058 mm."
    assert editor.got == []


def test_low_and_high_typed(editor, qtbot):
    type_into(editor, qtbot, "Low end", "20")
    type_into(editor, qtbot, "High end", "25,4")  # a comma will do
    assert editor.got[-1].low_mm == pytest.approx(1.0)
    assert editor.got[-1].high_mm == pytest.approx(1.27)
    assert text(editor, "Middle") == "22.7"
    assert text(editor, "High end") == "25,4"  # what is being typed is left alone


def test_middle_and_per_cent_typed(editor, qtbot):
    type_into(editor, qtbot, "Middle", "20 WPI")
    type_into(editor, qtbot, "Per cent either way", "10 %")
    assert editor.got[-1].low_wpi() == pytest.approx(18)
    assert editor.got[-1].high_wpi() == pytest.approx(22)
    assert (text(editor, "Low end"), text(editor, "High end")) == ("18", "22")


def test_millimetres_typed(editor, qtbot):
    editor.set_unit("mm")
    type_into(editor, qtbot, "Low end", "0.81")
    type_into(editor, qtbot, "High end", "1")
    assert editor.got[-1] == Band(0.81, 1.0)
    assert text(editor, "The band in the other unit") == "That is 25.4 to 31.4 WPI."


def test_a_class_picked_and_known_again(editor):
    pick(editor, "Weight class", 3)  # the council's chart: none, Lace, Super Fine, Fine
    assert child(editor, "Weight class").currentText() == "Fine: 12 to 18 WPI"
    assert (editor.got[-1].low_wpi(), editor.got[-1].high_wpi()) == pytest.approx((12, 18))
    assert (text(editor, "Low end"), text(editor, "High end")) == ("12", "18")
    editor.set_band(BAND)
    assert child(editor, "Weight class").currentIndex() == 0


def test_a_class_with_one_end_says_where_the_other_was_put(editor):
    editor.set_chart("spin-off")
    pick(editor, "Weight class", 1)
    assert text(editor, "The band in the other unit").endswith(
        "The chart sets no finest end; 27 WPI is taken."
    )
    editor.set_chart("bellaonline")
    pick(editor, "Weight class", 6)
    assert "no coarsest end; 3.33 WPI is taken" in text(editor, "The band in the other unit")


def test_classes_in_millimetres(editor):
    editor.set_unit("mm")
    box = child(editor, "Weight class")
    # 25.4 / 18 and 25.4 / 12
    assert box.itemText(3) == "Fine: 1.41 to 2.12 mm"
    assert box.itemText(1) == "Lace: 0.847 mm or less"


def test_changing_the_unit_to_and_fro_moves_no_band(editor):
    band = Band(0.8123456, 1.0345678)
    editor.set_band(band)
    for row in (1, 0, 1, 0):
        pick(editor, "Unit", row)
    assert editor.band is band
    assert editor.got == []
    assert text(editor, "Low end") == "24.55"


def test_the_wrap_factor_counts(editor, qtbot):
    editor.set_unit("wpi", 0.8)
    type_into(editor, qtbot, "Low end", "20")
    type_into(editor, qtbot, "High end", "30")
    assert editor.got[-1].high_mm == pytest.approx(25.4 / (20 * 0.8))


@pytest.mark.parametrize(
    ("low", "high", "says"),
    [
        ("30", "24", "The low end must be below the high end."),
        ("24", "24", "The low end must be below the high end."),
        ("24", "24.01", "The ends are too close together to spin between them."),
        ("abc", "24", "“abc” cannot be understood: type a number such as 24 or 0.85."),
        ("1,234,5", "24", "“1,234,5” cannot be understood: type a number such as 24 or 0.85."),
        ("-4", "24", "“-4” cannot be understood: type a number such as 24 or 0.85."),
        ("inf", "24", "“inf” cannot be understood: type a number such as 24 or 0.85."),
        ("24", "24000", "24000 WPI is 0.00106 mm thick: yarn lies between 0.02 and 30 mm."),
    ],
)
def test_what_cannot_be_is_said_and_no_band(editor, qtbot, low, high, says):
    editor.set_band(BAND)
    type_into(editor, qtbot, "Low end", low)
    type_into(editor, qtbot, "High end", high)
    assert editor.got[-1] is None
    assert editor.band is None
    qtbot.waitUntil(lambda: text(editor, "What is wrong") == says, timeout=30_000)
    type_into(editor, qtbot, "Low end", "24")
    type_into(editor, qtbot, "High end", "30")
    assert editor.got[-1] == BAND
    assert text(editor, "What is wrong") == ""


@pytest.mark.parametrize("percent", ["100", "250"])
def test_per_cent_have_bounds(editor, qtbot, percent):
    type_into(editor, qtbot, "Middle", "20")
    type_into(editor, qtbot, "Per cent either way", percent)
    says = "The per cent must be more than 0 and less than 100."
    qtbot.waitUntil(lambda: text(editor, "What is wrong") == says, timeout=30_000)
    assert editor.band is None


def test_half_a_number_is_no_slip(editor, qtbot):
    editor.set_unit("mm")
    for begun in ("0", "0.", "0.0", ""):
        type_into(editor, qtbot, "Low end", begun)
        assert text(editor, "What is wrong") == ""
        assert "Type two numbers" in text(editor, "The band in the other unit")


def test_every_field_is_named_and_reached_by_the_keyboard(editor, qtbot):
    editor.set_theme(DARK)
    editor.show()
    qtbot.waitExposed(editor)
    names, widget = [], child(editor, "Unit")
    for _ in range(6):
        names.append(widget.accessibleName())
        widget = widget.nextInFocusChain()
        while not widget.accessibleName() or widget.focusPolicy().value & 1 == 0:
            widget = widget.nextInFocusChain()
    assert names == ["Unit", "Low end", "High end", "Middle", "Per cent either way", "Weight class"]
    assert all(child(editor, name).toolTip() for name in names)


@pytest.mark.parametrize("grown", [1.0, 1.5])
def test_sentences_are_not_cut_off(editor, qtbot, grown):
    font = editor.font()
    font.setPointSizeF(font.pointSizeF() * grown)
    editor.setFont(font)
    editor.set_chart("spin-off")
    pick(editor, "Weight class", 1)
    editor.resize(editor.sizeHint())
    editor.show()
    qtbot.waitExposed(editor)
    means = child(editor, "The band in the other unit")
    assert means.heightForWidth(means.width()) <= means.height()
