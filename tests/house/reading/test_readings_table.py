"""Part by part the readings are those of the whole table, and no sample is cut in two in silence."""

import gc
import tracemalloc

import pandas as pd
import pytest

import specmatch as sm
from specmatch.demo.brewery import Brewery
from specmatch.errors import TableError

BEERS = ("Meadow Pils", "Amber Lane", "Night Porter")


@pytest.fixture(scope="module")
def house():
    past = Brewery(seed=1).draw(6, beers=BEERS)
    return sm.HouseModel().fit(sm.ReferenceSet(past.spectra, past.scans, past.batches))


@pytest.fixture(scope="module")
def new():
    return Brewery(seed=1).draw(2, draw=1, beers=BEERS)


def by_sample(new):
    samples = new.scans["sample"]
    for name in samples.unique():
        rows = new.scans[samples == name]
        yield new.spectra.loc[rows.index], rows


def same(got, whole):
    # the strength of a beer is found by iteration, which ends when all rows of a table have settled
    pd.testing.assert_frame_equal(got, whole, check_index_type=False, check_column_type=False, rtol=1e-6, atol=0)


def test_parts_give_the_readings_of_the_whole(house, new):
    same(pd.concat(house.read_chunks(by_sample(new), coverage=0.8)), house.read(new.spectra, new.scans, 0.8))


def test_parts_give_the_decisions_of_the_whole(house, new):
    claims = new.scans.groupby("sample", sort=False)["batch"].first().map(new.batches["beer"])
    for claimed in (claims, claims.to_dict(), "Amber Lane"):
        whole = house.verify(new.spectra, claimed, new.scans)
        same(pd.concat(house.verify_chunks(by_sample(new), claimed=claimed)), whole)


def test_tables_without_scans_are_read_a_row_a_sample(house, new):
    parts = [new.spectra.iloc[:4], new.spectra.iloc[:0], new.spectra.iloc[4:]]
    same(pd.concat(house.read_chunks(parts)), house.read(new.spectra))
    claims = pd.Series("Amber Lane", index=new.spectra.index)
    same(pd.concat(house.verify_chunks(parts, claimed=claims)), house.verify(new.spectra, claims))


def test_a_sample_that_was_cut_is_refused_and_named(house, new):
    parts = [(new.spectra.iloc[:2], new.scans.iloc[:2]), (new.spectra.iloc[2:], new.scans.iloc[2:])]
    read = house.read_chunks(parts)
    next(read)
    with pytest.raises(sm.errors.TableError, match=r"sample '.*' stands in part 2 and in the part before it"):
        next(read)


def test_the_part_that_is_refused_is_named(house, new):
    read = house.read_chunks([new.spectra.iloc[:1], new.spectra.iloc[1:, :20]])
    next(read)
    with pytest.raises(sm.errors.WavelengthMismatchError, match=r"needs") as refused:
        next(read)
    assert refused.value.__notes__ == ["in part 2 of the parts given"]


def test_one_table_is_no_parts(house, new):
    for one in (new.spectra, new.spectra.iloc[0]):
        with pytest.raises(sm.errors.TableError, match="read by read and verify"):
            next(house.read_chunks(one))


def test_a_claim_that_no_part_needs_is_told_at_the_end(house, new):
    first = next(iter(by_sample(new)))
    judged = house.verify_chunks([first], claimed={first[1]["sample"].iloc[0]: "Amber Lane", "typo": "Amber Lane"})
    assert len(next(judged)) == 1
    with pytest.raises(sm.errors.TableError, match="'typo', which no part holds"):
        next(judged)


@pytest.mark.whole
def test_memory_does_not_grow_with_the_parts(house, new):
    one = pd.concat([new.spectra] * 8)

    def parts(n):
        for number in range(n):
            yield one.set_axis([f"{number}-{row}" for row in range(len(one))])

    def most(n):
        gc.collect()
        tracemalloc.start()
        for _ in house.read_chunks(parts(n)):
            pass
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    most(2)  # what is made once
    # a fifth for what the collector has not met yet
    assert most(9) < 1.2 * most(3)


def test_claims_find_their_samples_however_the_part_names_them(house, new):
    name = str(new.scans["sample"].iloc[0])
    rows = new.scans["sample"] == name
    spectra, scans = new.spectra[rows], new.scans[rows]
    beer = str(new.batches.at[scans["batch"].iloc[0], "beer"])
    for part in ((spectra, scans.assign(sample=f" {name} ")), (spectra, scans.reset_index())):
        assert [t["claimed"].tolist() for t in house.verify_chunks([part], claimed={f"{name} ": beer})] == [[beer]]
    alone = str(spectra.index[0])
    for part in (spectra.iloc[0], (spectra.iloc[:1], scans[["fill_ml"]])):
        assert [t["claimed"].tolist() for t in house.verify_chunks([part], claimed={alone: beer})] == [[beer]]
    with pytest.raises(TableError, match="parts is a NoneType"):
        list(house.read_chunks(None))
