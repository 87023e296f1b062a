"""Models on disk: the same after reading, equal bytes, and nothing altered or foreign is taken."""

from __future__ import annotations

import dataclasses
import io
import json
import pickle

import numpy as np
import pytest

from afterrains.errors import InputError
from afterrains.woody import CardFacts, describe, fit, load, predict, save
from afterrains.woody import files as model_files

FACTS = CardFacts(
    name="invented # ground\n<b>",
    data_licence="CC0-1.0",
    exclusions=("any real ground",),
    real_ground=False,
)


@pytest.fixture(scope="module")
def model(bent_model):
    """One with trees, so that every array holds something."""
    return bent_model


@pytest.fixture(scope="module")
def errors(model):
    return describe(model)


@pytest.fixture
def folder(model, errors, tmp_path):
    save(model, tmp_path / "m", FACTS, errors=errors)
    return tmp_path / "m"


def test_a_model_is_the_same_after_reading(model, folder, plots_and_features):
    """Bit for bit, its training table too."""
    again = load(folder)
    one, other = (predict(each, plots_and_features[1]) for each in (model, again))
    for field in dataclasses.fields(one):
        np.testing.assert_array_equal(getattr(one, field.name), getattr(other, field.name))
    assert again.training.to_dict("list") == model.training.to_dict("list")


def test_a_model_without_trees_is_the_same_after_reading(plots_and_features, tmp_path):
    """Empty arrays are written and read as such."""
    lean = fit(*plots_and_features)
    assert lean.core.forest.root.size == 0
    save(lean, tmp_path / "lean", FACTS)
    again = load(tmp_path / "lean")
    one, other = (predict(each, plots_and_features[1]).estimate for each in (lean, again))
    np.testing.assert_array_equal(one, other)


def test_equal_models_give_equal_bytes(model, folder, tmp_path):
    """Nothing in the files tells the time."""
    save(model, tmp_path / "again", FACTS)
    for path in folder.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes()


@pytest.mark.parametrize("name", ["model.npz", "card.md", "recipe.json"])
def test_an_altered_file_is_refused(folder, name):
    """One byte more or less in any of the three."""
    path = folder / name
    path.write_bytes(path.read_bytes().replace(b"0", b"1", 1))
    with pytest.raises(InputError, match=r"m: .*; take a fresh copy"):
        load(folder)
    path.unlink()
    with pytest.raises(InputError, match=f"{name} cannot be read"):
        load(folder)


def _forge(folder, arrays):
    """Replace arrays and give the folder a digest that agrees."""
    buffer = io.BytesIO()
    np.savez(buffer, **arrays)
    (folder / "model.npz").write_bytes(buffer.getvalue())
    recipe = json.loads((folder / "recipe.json").read_text(encoding="utf-8"))
    recipe.pop("digest")
    card = (folder / "card.md").read_bytes()
    recipe["digest"] = model_files._digest(recipe, buffer.getvalue(), card)
    (folder / "recipe.json").write_text(json.dumps(recipe), encoding="utf-8")


def _stored(folder):
    with np.load(folder / "model.npz", allow_pickle=False) as stored:
        return dict(stored)


class _Trap:
    """Would raise a flag if anything unpickled it."""

    def __reduce__(self):
        return (pytest.fail, ("code ran while a model was read",))


def test_pickled_objects_are_refused_without_running_them(folder):
    """An object array carries a pickle; numpy must not open it."""
    assert b"_Fail" in pickle.dumps(_Trap())
    _forge(folder, _stored(folder) | {"scores": np.array([_Trap()], dtype=object)})
    with pytest.raises(InputError, match="allow_pickle"):
        load(folder)


@pytest.mark.parametrize(
    ("name", "spoil", "told"),
    [
        ("trees_left", lambda a: np.zeros_like(a), "outside its tree"),
        ("trees_root", lambda a: a + 1_000_000, "begins outside"),
        ("trees_value", lambda a: a * np.nan, "not finite"),
        ("line_spread", lambda a: a[:-1], "wrong shape"),
        ("domain_points", lambda a: a[:, :-1], "does not fit"),
    ],
)
def test_forged_arrays_are_refused_even_with_a_digest(folder, name, spoil, told):
    """A digest proves no origin: what could crash or never end is looked at itself."""
    arrays = _stored(folder)
    _forge(folder, arrays | {name: spoil(arrays[name])})
    with pytest.raises(InputError, match=told):
        load(folder)


def test_other_folders_are_refused(tmp_path, folder):
    """Not a model at all, and a newer format."""
    with pytest.raises(InputError, match=r"recipe.json cannot be read"):
        load(tmp_path)
    (folder / "recipe.json").write_text("[]", encoding="utf-8")
    with pytest.raises(InputError, match="is no 'afterrains woody model 2'"):
        load(folder)


def test_card_says_what_it_must(folder):
    """Mitchell et al. 2019: use, range, error by class, exclusions, licence; foreign text tamed."""
    card = (folder / "card.md").read_text(encoding="utf-8")
    assert "must not be used on real ground" in card
    assert "# Woody-cover model: invented  ground b" in card.splitlines()[0]
    for heading in ("Intended use", "Trained on", "Error on places held out", "Not to be used for"):
        assert f"## {heading}" in card
    assert "| 0 to 5 |" in card
    assert "- any real ground" in card
    assert "CC0-1.0" in card
    assert "<" not in card
