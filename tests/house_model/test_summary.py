"""What a house model has learnt, told from an invented fleet with known sources."""

import numpy as np
import pytest
from worlds import stored

from fleet.fitting.fit import fit_store
from fleet.house_model.summary import compare, summarise_model
from synthetic_data.spec import TIDY
from synthetic_data.world import World, WorldSpec


@pytest.fixture(scope="module")
def fleets(tmp_path_factory):
    world = World(WorldSpec(seed=4, n_families=24, **TIDY))
    folders = {n: tmp_path_factory.mktemp(f"learnt-{n}") for n in (150, 900)}
    out = [fit_store(stored(folder, world.sheets(n)[0])) for n, folder in folders.items()]
    return world, *out


@pytest.mark.long
def test_the_rubber_and_drag_are_told_as_the_world_has_them(fleets):
    """The sag slope told holds the world's mean of drag times static over catalogue compliance."""
    world, _, house = fleets
    table = world.catalogue.frame
    true = np.average(
        table["drag_mean"] * table["static_compliance"] / table["compliance_um_per_mn"],
        weights=world.catalogue.share[: len(table)],
    )
    line = next(x for x in summarise_model(house).lines if x.startswith("Sag is"))
    middle, half = (float(x) for x in line.split(" of its scale")[0].removeprefix("Sag is ").split(" ± "))
    assert abs(middle - true) < half


def test_effects_cover_the_source_differences_of_the_world(fleets):
    """Intervals hold their estimates, and the sources' units add up to the link's."""
    _, _, house = fleets
    effects = summarise_model(house).effects
    assert (effects["low"] < effects["effect"]).all()
    assert (effects["effect"] < effects["high"]).all()
    sources = effects[(effects["link"] == "built_in") & (effects["factor"] == "source")]
    assert sources["units"].sum() == house.links["built_in"].cells.counts.sum()


def test_more_sheets_narrow_what_is_told(fleets):
    """The mean width of the built-in effects' intervals falls from 150 to 900 sheets."""
    _, small, large = fleets

    def width(house):
        e = summarise_model(house).effects
        e = e[(e["link"] == "built_in") & (e["factor"] == "family")]
        return (e["high"] - e["low"]).mean()

    assert width(large) < 0.8 * width(small)


def test_two_models_stand_side_by_side(fleets):
    """The comparison names each link's sheets in both models and their difference."""
    _, small, large = fleets
    table = compare(small, large).set_index(["link", "figure"])
    row = table.loc[("built-in angle", "sheets")]
    assert row["old"] == small.links["built_in"].rows
    assert row["new"] - row["old"] == row["change"] > 0


def test_a_small_fleet_is_told_to_lean_on_common_practice(fleets, tmp_path):
    """With a dozen sheets the diagnostics say that common practice still speaks along."""
    world, *_ = fleets
    house = fit_store(stored(tmp_path, world.sheets(12)[0]))
    assert any("common practice" in line for line in summarise_model(house).diagnostics)
