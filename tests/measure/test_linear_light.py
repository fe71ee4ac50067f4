"""sRGB to linear light and back, against IEC 61966-2-1 and an independent library."""

import numpy as np
import pytest
from skimage import color
from skimage.color.colorconv import xyz_from_rgb

from measure.linear_light import JOIN_LINEAR, decode_srgb, encode_srgb, encode_srgb_16


def test_published_values():
    # IEC 61966-2-1 worked through at the figures of colour.readthedocs.io:
    # .18 <-> .4613561 and .5 -> .2140411; code 128 -> .2158605.
    assert decode_srgb(np.array([0.4613561])) == pytest.approx([0.18], abs=1e-7)
    assert decode_srgb(np.array([0.5])) == pytest.approx([0.2140411], abs=1e-7)
    assert decode_srgb(np.array([128], np.uint8)) == pytest.approx([0.2158605], abs=1e-7)
    assert encode_srgb_16(np.array([0.18])) == round(0.4613561 * 65535)
    assert encode_srgb(np.array([0.18])) == round(0.4613561 * 255)


def test_every_code_agrees_with_scikit_image():
    # skimage.color.rgb2xyz starts by decoding sRGB; its Y of a grey is the linear value
    # (its Y row of the sRGB matrix sums to 1 within 1e-6: checked with white below).
    for codes, dtype in ((256, np.uint8), (65536, np.uint16)):
        every = np.arange(codes, dtype=dtype)
        grey = np.repeat(every[:, np.newaxis] / (codes - 1), 3, axis=1)
        outside = color.rgb2xyz(grey)[:, 1] / color.rgb2xyz(np.ones(3))[1]
        np.testing.assert_allclose(decode_srgb(every), outside, rtol=0, atol=1e-7)
        np.testing.assert_allclose(decode_srgb(grey[:, 0]), outside, rtol=0, atol=1e-7)


def test_every_code_comes_back():
    for dtype, encode in ((np.uint8, encode_srgb), (np.uint16, encode_srgb_16)):
        every = np.arange(np.iinfo(dtype).max + 1, dtype=dtype)
        np.testing.assert_array_equal(encode(decode_srgb(every)), every)


def test_encoding_agrees_with_scikit_image():
    light = np.linspace(0.0, 1.0, 4001)
    grey = np.repeat(light[:, np.newaxis], 3, axis=1)
    # It encodes only on the way from XYZ, so linear RGB goes there by its own matrix.
    outside = color.xyz2rgb(grey @ xyz_from_rgb.T)[:, 1]
    assert np.abs(encode_srgb(light) - outside * 255).max() <= 0.5 + 1e-3


def test_the_two_pieces_meet():
    # The constants leave a step of 2.3e-9 at the join (docs.rs linear-srgb, iec.md).
    below, above = np.nextafter(JOIN_LINEAR, 0), np.nextafter(JOIN_LINEAR, 1)
    assert encode_srgb_16(np.array([below])) == encode_srgb_16(np.array([above]))


def test_shapes_are_kept():
    for shape in ((), (0, 3), (7,), (5, 9), (5, 9, 3), (2, 3, 4, 3)):
        for dtype in (np.uint8, np.uint16, np.float32):
            linear = decode_srgb(np.ones(shape, dtype))
            assert linear.shape == shape
            assert linear.dtype == np.float32


def test_a_view_decodes_like_its_copy():
    picture = np.random.default_rng(3).integers(0, 256, (11, 17, 3), dtype=np.uint8)
    view = picture[::2, ::-1, 1]
    np.testing.assert_array_equal(decode_srgb(view), decode_srgb(view.copy()))


def test_encoding_clips():
    assert encode_srgb(np.array([-0.2, 0.0, 1.0, 7.0])).tolist() == [0, 0, 255, 255]
    assert encode_srgb_16(np.array([-0.2, 7.0])).tolist() == [0, 65535]


def test_the_table_cannot_be_spoilt_by_a_caller():
    first = decode_srgb(np.array([200], np.uint16))
    kept = float(first[0])
    first[0] = 9.0
    assert float(decode_srgb(np.array([200], np.uint16))[0]) == kept


def test_other_types_are_an_error():
    with pytest.raises(TypeError, match="int32"):
        decode_srgb(np.zeros((2, 2), np.int32))
