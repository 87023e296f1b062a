"""Area and accuracy estimates against the examples that the estimators' papers print."""

from __future__ import annotations

import math

import numpy as np
import pytest

from afterrains.woody.area import (
    area_from_matrix,
    area_from_strata,
    cochran_sample_size,
    stratified_sample_size,
)

# Olofsson et al. 2014, doi:10.1016/j.rse.2014.02.015, table 8.
_CHANGE = [[66, 0, 5, 4], [0, 55, 8, 12], [1, 0, 153, 11], [2, 1, 9, 313]]
_CHANGE_HA = [18_000, 13_500, 288_000, 580_500]


def test_accuracies_of_olofsson_2014():
    """Printed in the paper: estimates and half widths at 95 %, three digits."""
    found = area_from_matrix(_CHANGE, _CHANGE_HA)
    assert found.users.estimate == pytest.approx([0.880, 0.733, 0.927, 0.963], abs=5.1e-4)
    assert found.users.half_width() == pytest.approx([0.074, 0.101, 0.040, 0.021], abs=5.1e-4)
    assert found.producers.estimate == pytest.approx([0.749, 0.847, 0.934, 0.962], abs=8e-4)
    assert found.producers.half_width() == pytest.approx([0.213, 0.254, 0.034, 0.018], abs=5.1e-4)
    assert found.overall.estimate == pytest.approx([0.947], abs=5.1e-4)
    assert found.overall.half_width() == pytest.approx([0.018], abs=5.1e-4)
    assert found.sample_size == 640


def test_areas_of_olofsson_2014():
    """As the paper prints them; its last half width (16,282) was made with 1.96 for 1.959964."""
    found = area_from_matrix(_CHANGE, _CHANGE_HA)
    shares = [0.023509, 0.012985, 0.317522, 0.645985]
    assert found.proportion.estimate == pytest.approx(shares, abs=5.1e-7)
    assert found.area.estimate == pytest.approx([21_158, 11_686, 285_770, 581_386], abs=0.51)
    assert found.area.half_width() == pytest.approx([6158, 3756, 15_510, 16_281], abs=0.51)


def test_first_example_of_olofsson_2013():
    """doi:10.1016/j.rse.2012.10.031, example 1: deforestation, forest, other land, in pixels."""
    found = area_from_matrix([[97, 0, 3], [3, 279, 18], [2, 1, 97]], [22_353, 1_122_543, 610_228])
    assert found.area.estimate == pytest.approx([45_112, 1_050_067, 659_944], abs=0.51)
    assert found.area.half_width() == pytest.approx([21_072, 34_597, 36_526], abs=0.51)
    assert (found.area.estimate - found.area.half_width())[0] == pytest.approx(24_040, abs=0.51)
    assert found.users.estimate == pytest.approx([0.97, 0.93, 0.97], abs=5e-3)
    assert found.producers.estimate == pytest.approx([0.481, 0.994, 0.897], abs=5.1e-4)
    assert found.overall.estimate == pytest.approx([0.944], abs=5.1e-4)


def test_second_example_of_olofsson_2013():
    """The same paper, example 2, by weights alone."""
    found = area_from_matrix([[127, 66, 54], [2, 322, 17], [0, 15, 540]], [0.007, 0.295, 0.698])
    assert found.overall.estimate == pytest.approx([0.9613], abs=5.1e-5)
    assert found.overall.half_width() == pytest.approx([0.0119], abs=5.1e-5)
    assert found.users.estimate == pytest.approx([0.514, 0.944, 0.973], abs=5.1e-4)
    assert found.producers.estimate == pytest.approx([0.675, 0.931, 0.977], abs=5.1e-4)
    assert found.producers.half_width()[0] == pytest.approx(0.305, abs=5.1e-4)


def test_numerical_example_of_stehman_2014():
    """doi:10.1080/01431161.2014.930207, section 4; printed values from memory.

    The data are those of the paper's table 2; its finite population correction is one in a
    thousand here and does not reach the printed digits.
    """
    strata = [name for name in "ABCD" for _ in range(10)]
    mapped = list("A" * 7 + "B" * 3 + "A" + "B" * 11 + "C" * 6 + "BB" + "D" * 10)
    seen = list("AAAAACBABC" + "A" + "BBBBB" + "AABB" + "CCCCC" + "DDBBA" + "DDDDDDD" + "CCB")
    area = {"A": 40_000.0, "B": 30_000.0, "C": 20_000.0, "D": 10_000.0}
    found = area_from_strata(strata, mapped, seen, area, list("ABCD"))
    assert found.proportion.estimate[[0, 2]] == pytest.approx([0.35, 0.20], abs=1e-9)
    assert found.proportion.standard_error[[0, 2]] == pytest.approx([0.082, 0.064], abs=5.1e-4)
    assert found.overall.estimate == pytest.approx([0.63], abs=1e-9)
    assert found.overall.standard_error == pytest.approx([0.085], abs=5.1e-4)
    assert found.users.estimate[1] == pytest.approx(0.574, abs=5.1e-4)
    assert found.users.standard_error[1] == pytest.approx(0.125, abs=5.1e-4)
    assert found.producers.estimate[1] == pytest.approx(0.794, abs=5.1e-4)
    assert found.producers.standard_error[1] == pytest.approx(0.116, abs=1.1e-3)


def test_both_estimators_agree_where_strata_are_the_map():
    """One is a special case of the other (Stehman 2014); producer's variances are equal too."""
    strata, seen = [], []
    for row, counts in enumerate(_CHANGE):
        for column, count in enumerate(counts):
            strata += [row] * count
            seen += [column] * count
    areas = dict(enumerate(map(float, _CHANGE_HA)))
    by_strata = area_from_strata(strata, strata, seen, areas, range(4))
    by_matrix = area_from_matrix(_CHANGE, _CHANGE_HA)
    for one, other in (
        (by_strata.area, by_matrix.area),
        (by_strata.users, by_matrix.users),
        (by_strata.overall, by_matrix.overall),
        (by_strata.producers, by_matrix.producers),
    ):
        np.testing.assert_allclose(one.estimate, other.estimate, rtol=1e-12)
        np.testing.assert_allclose(one.standard_error, other.standard_error, rtol=1e-12)


def test_sample_sizes():
    """Olofsson et al. 2014, eq. 13 (641; their table holds 640); Cochran by hand with z 1.96."""
    assert stratified_sample_size([0.02, 0.015, 0.32, 0.645], [0.7, 0.6, 0.9, 0.95], 0.01) == 641
    assert cochran_sample_size(0.5, 0.05) == 385
    assert cochran_sample_size(0.5, 0.10) == 97
    assert cochran_sample_size(0.1, 0.02) == 865


def test_a_class_never_found_has_no_producers_accuracy():
    """Nothing to be found of it; its area is 0 with no spread seen, not a fault."""
    found = area_from_matrix([[5, 0], [5, 0]], [10, 10])
    assert math.isnan(found.producers.estimate[1])
    assert found.area.estimate.tolist() == [20.0, 0.0]


def test_too_few_checks_are_refused():
    """One check has no spread."""
    with pytest.raises(ValueError, match="fewer than 2 checks"):
        area_from_matrix([[1, 0], [0, 5]], [10, 10])
    with pytest.raises(ValueError, match="strata b have fewer than 2"):
        area_from_strata(["a", "a", "b"], [0, 1, 0], [0, 1, 1], {"a": 1.0, "b": 1.0}, [0, 1])
    with pytest.raises(ValueError, match="no area is given for the strata c"):
        area_from_strata(["a", "a", "c"], [0, 1, 0], [0, 1, 1], {"a": 1.0}, [0, 1])
