"""Draw every picture of the documents anew: `python docs/draw_figures.py [NAME...]`.

Needs the extra `plot`, and for the picture of a page Chromium and playwright. Pictures of the gallery are drawn by
`docs/build_site.py`, from the examples of the plots. What takes long says so before.
"""

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

DOCS = Path(__file__).resolve().parent
ROOT = DOCS.parent
_WIDTH, _HEIGHT, _SCALE = 1080, 930, 0.8


def set_page(out: Path) -> None:
    """Draw the first screen of the page of the demo's reference set, as README shows it."""
    from playwright.sync_api import sync_playwright

    import specmatch as sm
    from specmatch.demo.tour import make_set

    with tempfile.TemporaryDirectory() as room:
        sm.write_brewery(Path(room) / "year", seed=1)
        refs, _ = make_set(Path(room) / "year")
        house = sm.HouseModel().fit(refs)
        page_file = Path(room) / "set.html"
        page_file.write_text(
            sm.pages.set_page(refs, house=house, evaluation=sm.evaluate(house, refs)), encoding="utf-8"
        )
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=_chromium(), args=["--no-sandbox", "--hide-scrollbars"])
            size = {"width": _WIDTH, "height": _HEIGHT}
            page = browser.new_context(viewport=size, device_scale_factor=_SCALE).new_page()
            page.goto(page_file.as_uri())
            page.screenshot(path=str(out))
            browser.close()


def plan(out: Path) -> None:
    """Draw a plan of the invented brewery in two cups, and what looking at the line catches."""
    from matplotlib.figure import Figure

    import specmatch as sm

    # batches of an invented brewery state their lab colours: their means are its list
    past = sm.Brewery(seed=1).draw(10).batches
    made = sm.plan(past.groupby("beer")["colour"].mean().round(1).to_dict(), cups=((40.0, 10.0), (40.0, 5.0)), seed=0)
    drawn = Figure(figsize=(9.4, 3.4), layout="constrained")
    left, right = drawn.subplots(1, 2)
    sm.plots.plot_plan_curves(made, ax=left)
    for said in sm.plots.plot_plan_line(made, ax=right).get_legend().get_texts():
        said.set_fontsize("x-small")
    drawn.savefig(out, dpi=100)


def _benchmark(*words: str) -> Callable[[Path], None]:
    def draw(out: Path) -> None:
        subprocess.run([sys.executable, "-m", *words, str(out)], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)

    return draw


# how each is drawn, and how long that takes on two cores
FIGURES: dict[str, tuple[Callable[[Path], None], str]] = {
    "set_page": (set_page, "half a minute"),
    "plan": (plan, "two minutes"),
    "identity_curve": (_benchmark("benchmarks.identity", "--curve"), "a quarter of an hour"),
    "depth": (_benchmark("benchmarks.depth", "--seeds", "1", "--picture"), "a quarter of an hour"),
    "second_module": (_benchmark("benchmarks.transfer", "--picture"), "an hour"),
}


def _chromium() -> str:
    found = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    return found or sys.exit("draw_figures: the picture of a page needs Chromium, which is not on this machine")


if __name__ == "__main__":
    wanted = sys.argv[1:] or list(FIGURES)
    if unknown := set(wanted) - set(FIGURES):
        sys.exit(f"draw_figures: no picture {', '.join(sorted(unknown))}; there are {', '.join(FIGURES)}")
    for name in wanted:
        draw, takes = FIGURES[name]
        sys.stdout.write(f"{name}.png: about {takes}\n")
        sys.stdout.flush()
        draw(DOCS / f"{name}.png")
