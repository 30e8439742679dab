"""From light on the sensor to a phone's JPEG: noise, denoising, sharpening, tone, EXIF.

Lens distortion, defocus and the hand's shake are already in the light (``render``).
"""

from __future__ import annotations

import datetime
import io
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from camera import Shot

Array = np.ndarray
MAKER, MODEL, LENS = "Halvorsby", "Lumo 5", "Halvorsby Lumo 5 main camera 5.5mm f/1.8"


def expose(light: Array, key: float = 0.20) -> tuple[Array, float]:
    """Scale light so that its centre-weighted log mean is ``key``; soft limit for the lamps."""
    lum = light @ np.array([0.25, 0.6, 0.15], np.float32)
    small = cv2.resize(lum, (200, 150), interpolation=cv2.INTER_AREA)
    yy, xx = np.mgrid[-1:1:150j, -1:1:200j]
    w = np.exp(-1.2 * (xx**2 + yy**2))
    mean = np.exp((np.log(np.maximum(small, 1e-4)) * w).sum() / w.sum())
    # Paper in the picture must not burn out.
    top = np.percentile(small, 97)
    gain = min(key / mean, 0.95 / max(top, 1e-6))
    return light * gain, float(gain)


def tone(x: Array) -> Array:
    """Filmic shoulder on linear light, sRGB curve, a little contrast; 0..1."""
    x = np.clip(x, 0, None)
    x = np.where(x > 0.7, 0.7 + 0.3 * (1 - np.exp(-(x - 0.7) / 0.3)), x)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.power(np.maximum(x, 1e-9), 1 / 2.4) - 0.055)
    y = np.clip(y, 0, 1)
    s = y * y * (3 - 2 * y)
    return y + 0.35 * (s - y)


def smooth(lum: Array) -> Array:
    """A phone's denoising: patches of like pixels are averaged, then a bilateral filter; 0..1."""
    eight = (np.clip(lum, 0, 1) * 255 + 0.5).astype(np.uint8)
    mean = cv2.fastNlMeansDenoising(eight, None, 8, 5, 13)
    mean = cv2.bilateralFilter(mean, 5, 10, 2.0)
    return mean.astype(np.float32) / 255


def develop(light: Array, shot: Shot, clean: bool = False) -> tuple[Array, float]:
    """Linear light (H, W, 3) to 8-bit RGB; ``clean`` leaves out noise, sharpening and tone."""
    x, gain = expose(light)
    # Cut fireflies of the renderer: a pixel far above its neighbours' median.
    med = cv2.medianBlur(x.astype(np.float32), 3)
    hot = (x > 2.0 * med + 0.05).any(-1, keepdims=True)
    x = np.where(hot, med, x).astype(np.float32)
    # The lens's and the colour filter's own blur.
    x = cv2.GaussianBlur(x, (0, 0), 0.62)
    if clean:
        return np.clip(x * 255 / 1.2, 0, 255).astype(np.uint8), gain
    g = np.random.default_rng(shot.seed)
    full = 7000.0 / max(gain, 0.3) ** 0.3
    x = x + g.standard_normal(x.shape, dtype=np.float32) * np.sqrt(
        np.maximum(x, 0) / full + 1.6e-3**2
    )
    y = tone(x).astype(np.float32)
    ycc = cv2.cvtColor(y, cv2.COLOR_RGB2YCrCb)
    for k in (1, 2):
        ycc[..., k] = cv2.GaussianBlur(cv2.medianBlur(ycc[..., k], 5), (0, 0), 2.5)
    lum = smooth(ycc[..., 0])
    detail = lum - cv2.GaussianBlur(lum, (0, 0), 1.3)
    # Coring: leave the flat areas' residual noise unsharpened, as phones do.
    detail = np.sign(detail) * np.maximum(np.abs(detail) - 0.012, 0)
    ycc[..., 0] = np.clip(lum + 0.6 * detail, 0, 1)
    rgb = cv2.cvtColor(ycc, cv2.COLOR_YCrCb2RGB)
    return (np.clip(rgb, 0, 1) * 255 + 0.5).astype(np.uint8), gain


def write_jpeg(
    rgb: Array, shot: Shot, gain: float, when: datetime.datetime, path: Path, quality: int = 84
) -> None:
    """Write pixels in the sensor's orientation with a phone's EXIF."""
    im = Image.fromarray(rgb)
    exif = Image.Exif()
    iso = int(np.clip(50 * round(gain * 3.2), 50, 1600))
    exposure = 1 / 60 if iso > 200 else 1 / 100
    exif[0x010F], exif[0x0110] = MAKER, MODEL
    exif[0x0112] = 6 if shot.portrait else 1
    exif[0x011A], exif[0x011B], exif[0x0128] = 72.0, 72.0, 2
    exif[0x0131] = "Lumo camera 5.2"
    stamp = when.strftime("%Y:%m:%d %H:%M:%S")
    exif[0x0132] = stamp
    sub = exif.get_ifd(0x8769)
    sub[0x829A] = exposure
    sub[0x829D] = 1.8
    sub[0x8827] = iso
    sub[0x9000] = b"0232"
    sub[0x9003] = sub[0x9004] = stamp
    sub[0x920A] = 5.5
    sub[0xA002], sub[0xA003] = rgb.shape[1], rgb.shape[0]
    sub[0xA404] = 1.0
    sub[0xA405] = 27
    sub[0xA433], sub[0xA434] = MAKER, LENS
    buf = io.BytesIO()
    im.save(buf, "JPEG", quality=quality, subsampling="4:2:0", optimize=True, exif=exif)
    path.write_bytes(buf.getvalue())
