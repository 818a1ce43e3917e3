"""Every kind of page, of one invented brewery: what a reader is asked about, and what a browser is shown."""

from pathlib import Path

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.demo.folders import write_measured_folder
from specmatch.line.acquisition import measure_source
from specmatch.line.recording import record_measured
from specmatch.line.rules.judging import LineSetting
from specmatch.storage import sha256_of

BEERS = ("Meadow Pils", "Amber Lane", "Walnut Brown", "Night Porter")
CLAIM = "Amber Lane"


def every_page(folder: Path) -> dict[str, str]:
    """Write past and new batches into a folder, and return a page of each kind by its name."""
    brewery = Brewery(seed=1)
    past = brewery.draw(6, beers=BEERS)
    new = brewery.draw(2, draw=1, beers=BEERS)
    write_measured_folder(folder / "new", new.raw, new.batches)
    sm.write_bench_day(folder / "bench")
    refs = sm.ReferenceSet(past.spectra, past.scans, past.batches, name="house", colour_unit="EBC")
    house = sm.HouseModel().fit(refs)
    house.save(folder / "house.model")
    digest, session = sha256_of(folder / "house.model"), sm.measure(folder / "new")
    verified = house.verify(session, claimed=CLAIM)
    with sm.Journal(folder / "line1.db") as journal:
        setting = LineSetting(house, digest, line="1", claim=CLAIM, operator="Ann", control_hours=0.0)
        record_measured(journal, setting, measure_source(folder / "new"))
        held = next(row for row in map(journal.entry, range(1, 99)) if row.get("decision") in ("hold", "rescan"))
        line = {
            "line": sm.pages.journal_page([journal]),
            "tag": sm.pages.hold_tag(journal, held["entry"]),
            "lot": sm.pages.lot_sheet([journal], held["lot"]),
        }
    first = brewery.draw(1, draw=2, beers=BEERS[:2])
    young = sm.ReferenceSet(first.spectra, first.scans, first.batches, name="young", colour_unit="EBC")
    return {
        "set": sm.pages.set_page(refs, house=house, evaluation=sm.evaluate(house, refs, n_folds=3)),
        "young set": sm.pages.set_page(young, why_not="the set holds 2 batches"),
        "model": sm.pages.model_page(house, model_hash=digest),
        "readings": sm.pages.model_page(house, model_hash=digest, session=session, verified=verified),
        "reading": sm.pages.reading_page(house, session, verified, held["sample"], model_hash=digest),
        "validation": sm.pages.validation_page(sm.validate(house, session), house=house, session=session),
        "gauge": sm.pages.gauge_page(sm.gauge(house, session, tolerance=2.0), budget=house.budget()),
        "commissioning": sm.pages.commissioning_page(sm.commission(folder / "bench")),
        "plan": sm.pages.plan_page(
            sm.plan({"Pils": 8.0, "Amber": 22.0, "Stout": 70.0}, n_batches=(4,), n_pours=(1,), rough=True)
        ),
        **line,
    }
