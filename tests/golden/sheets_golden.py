"""Renders the golden sheets and compares pictures by their worst tile.

Run as a program (``python tests/golden/sheets_golden.py --renew``, with ``tests`` on the path) it
renews the stored pictures after somebody has looked at the new ones; it refuses to do so in CI.
"""

from __future__ import annotations

import dataclasses
import io
import os
import sys
from pathlib import Path

import numpy as np
import pypdfium2
from PIL import Image
from pipeline.records import Plan
from pipeline.sheets import map_page, overview_page, profile_page, safety_page, tables_page
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.paper import framed
from scipy import ndimage

HERE = Path(__file__).resolve().parent
RENDERER = HERE / "renderer.txt"
DPI = 96.0
BLUR_PX = 0.8
STEP = 48.0  # grey levels that count as a difference
TILE_PX = 32
WORST_TILE = 0.02  # share of a tile's pixels that may differ: anti-aliasing, no more
NAMES = ("map", "profile", "overview", "stakeout", "safety")


def renderer() -> str:
    """Return the name of the renderer that goldens are valid for."""
    return str(pypdfium2.PDFIUM_INFO)


def pictures(ctx: SheetContext) -> dict[str, np.ndarray]:
    """Return the golden sheets of a plan as grey pictures."""
    # a code names every word of the templates: pictures are judged by what they show, not by that
    ctx = dataclasses.replace(ctx, codes=dict.fromkeys(ctx.codes, "0000-0000"))
    section = ctx.plan.sections[1]
    builders = (map_page, profile_page, None, tables_page, safety_page)
    pages = [b.build(ctx, section)[0] if b else overview_page.build(ctx)[0] for b in builders]
    document = pypdfium2.PdfDocument(to_pdf(framed(ctx, pages), DocumentInfo("t", "a", "s", "en", "2026-03-02")))
    out = {}
    for i, name in enumerate(NAMES):
        image = document[i].render(scale=DPI / 72.0, grayscale=True).to_pil().convert("L")
        out[name] = np.array(image)
    document.close()
    return out


def context_of(plan: Plan, like: SheetContext) -> SheetContext:
    """Return the context of another plan on the same ground."""
    return make_context(plan=plan, terrain=like.terrain, ground=like.ground)


def worst_tile(a: np.ndarray, b: np.ndarray) -> float:
    """Return the largest share of differing pixels in any tile of two pictures; 1 when sizes differ."""
    if a.shape != b.shape:
        return 1.0
    soft = [ndimage.gaussian_filter(p.astype(np.float64), BLUR_PX) for p in (a, b)]
    bad = np.abs(soft[0] - soft[1]) > STEP
    rows, cols = (-(-n // TILE_PX) for n in bad.shape)
    padded = np.zeros((rows * TILE_PX, cols * TILE_PX))
    padded[: bad.shape[0], : bad.shape[1]] = bad
    return float(padded.reshape(rows, TILE_PX, cols, TILE_PX).mean(axis=(1, 3)).max())


def stored(name: str) -> np.ndarray:
    """Return a golden picture."""
    return np.array(Image.open(HERE / f"sheet_{name}.png").convert("L"))


def renew(ctx: SheetContext) -> None:
    """Store the present pictures as the golden ones."""
    for name, picture in pictures(ctx).items():
        out = io.BytesIO()
        # sixteen even greys: half the bytes, and no level moves by more than nine
        Image.fromarray((np.round(picture / 17.0) * 17.0).astype(np.uint8)).save(out, format="PNG", optimize=True)
        (HERE / f"sheet_{name}.png").write_bytes(out.getvalue())
    RENDERER.write_text(renderer() + "\n", encoding="utf-8")


if __name__ == "__main__":
    if "--renew" not in sys.argv or os.environ.get("CI"):
        raise SystemExit("goldens are renewed by hand, with --renew, never in CI")
    from sample_plan import sample_plan

    plan, terrain, ground = sample_plan()
    renew(make_context(plan=plan, terrain=terrain, ground=ground))
