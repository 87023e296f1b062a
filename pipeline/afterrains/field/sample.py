"""The random part of the visits: a stratified, spatially balanced probability sample of places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from afterrains.field.allocation import LEAST_IN_STRATUM, allocate, floor_of, join_small
from afterrains.field.frame import Frame
from afterrains.field.pivotal import balanced_draw

__all__ = ["Sample", "draw_sample"]


@dataclass(frozen=True)
class Sample:
    """Places drawn, and the ground they stand for."""

    pixels: NDArray[np.intp]
    """Numbers of the frame's pixels, one for each place."""
    sampling_stratum: NDArray[np.str_]
    inclusion_probability: NDArray[np.float64]
    ground: pd.DataFrame
    """The whole ground, cut as finely as anything is reported: sampling_stratum, role, stratum,
    verdict, map_class, pixels, area_ha, visits and inclusion_probability (both of the whole
    sampling stratum)."""
    floor: int
    """The fewest places that a stratum of sown ground was given, if it has so many pixels."""


def draw_sample(
    frame: Frame, places: int, control_percent: float, rng: np.random.Generator
) -> Sample:
    """Draw places from the pixels of the sites.

    Sown ground and the controls on which verdicts rest are sampled each for itself; strata are
    verdict and map class. Within a stratum every pixel has the same chance.

    Parameters
    ----------
    frame : Frame
    places : int
        To be drawn in all.
    control_percent : float
        Share of them for the controls, 0-100; sown ground gets it where no control is used.
    rng : numpy.random.Generator
    """
    cells = _cells(frame)
    is_sown = (cells["role"] == "sown").to_numpy()
    share = round(places * control_percent / 100) if (~is_sown).any() else 0
    # Fewer than the least of one stratum tell nothing of the controls.
    for_controls = share if share >= LEAST_IN_STRATUM else 0
    parts, floor = [], 0
    for role, budget in (("sown", places - for_controls), ("control", for_controls)):
        part = cells[cells["role"] == role]
        if budget < LEAST_IN_STRATUM or part.empty:
            continue
        planned, least = _planned(part, budget)
        floor = least if role == "sown" else floor
        parts.append(planned)
    if not parts:
        raise ValueError(f"{places} places are too few for a random sample")
    ground = pd.concat(parts, ignore_index=True)
    return _drawn(frame, ground, rng, floor)


def _cells(frame: Frame) -> pd.DataFrame:
    """Pixels counted by role, stratum of the sites file, verdict and map class."""
    sites = frame.sites.iloc[frame.site]
    pixels = pd.DataFrame(
        {
            "role": sites["role"].to_numpy(),
            "stratum": sites["stratum"].to_numpy(),
            "verdict": sites["verdict"].to_numpy(),
            "map_class": frame.map_class,
        }
    )
    asked = ((sites["role"] == "sown") | (sites["used_by"] > 0)).to_numpy()
    keys = ["role", "verdict", "map_class", "stratum"]
    counted = pixels[asked].groupby(keys, sort=True).size().rename("pixels").reset_index()
    counted["area_ha"] = counted["pixels"] * frame.pixel_ha
    return counted


def _planned(part: pd.DataFrame, places: int) -> tuple[pd.DataFrame, int]:
    """One role's ground with the sampling stratum of each cell and the visits of each stratum."""
    fine = part.groupby(["verdict", "map_class"], sort=True)["pixels"].sum().reset_index()
    role = str(part["role"].iloc[0])
    groups = [(role, str(name)) for name in fine["map_class"]]
    fine["joined"] = join_small(groups, fine["pixels"].tolist(), places)
    fine["sampling_stratum"] = [_label(role, fine[fine["joined"] == at]) for at in fine["joined"]]
    sizes = fine.groupby("sampling_stratum", sort=True)["pixels"].sum()
    floor = floor_of(places, len(sizes))
    visits = pd.Series(allocate(sizes.to_numpy(), places, floor), index=sizes.index)
    out = part.merge(fine.drop(columns=["pixels", "joined"]), on=["verdict", "map_class"])
    out["visits"] = out["sampling_stratum"].map(visits)
    out["inclusion_probability"] = out["visits"] / out["sampling_stratum"].map(sizes)
    return out, floor


def _label(role: str, cells: pd.DataFrame) -> str:
    """Name of a sampling stratum: role, verdicts, map classes."""
    verdicts = " or ".join(sorted(set(cells["verdict"]) - {""}))
    classes = " or ".join(sorted(set(cells["map_class"])))
    return ", ".join(text for text in (role, verdicts, f"mapped {classes}") if text)


def _drawn(frame: Frame, ground: pd.DataFrame, rng: np.random.Generator, floor: int) -> Sample:
    keys = ["role", "verdict", "map_class", "stratum"]
    label_of = ground.set_index(keys)["sampling_stratum"].to_dict()
    sites = frame.sites[["role", "verdict", "stratum"]].to_numpy()
    labels = np.array(
        [
            label_of.get((role, verdict, name, stratum), "")
            for (role, verdict, stratum), name in zip(
                sites[frame.site], frame.map_class, strict=True
            )
        ]
    )
    chance = ground.drop_duplicates("sampling_stratum").set_index("sampling_stratum")
    pixels, of_stratum, probability = [], [], []
    for label, row in chance.sort_index().iterrows():
        members = np.flatnonzero(labels == label)
        # A control that no verdict rests on has a label of its own class, but is not asked.
        members = members[_asked(frame, members)]
        among = balanced_draw(int(row["visits"]), frame.x[members], frame.y[members], rng)
        pixels.append(members[among])
        of_stratum += [str(label)] * among.size
        probability += [float(row["inclusion_probability"])] * among.size
    return Sample(
        pixels=np.concatenate(pixels),
        sampling_stratum=np.array(of_stratum),
        inclusion_probability=np.array(probability),
        ground=ground,
        floor=floor,
    )


def _asked(frame: Frame, pixels: NDArray[np.intp]) -> NDArray[np.bool_]:
    sites = frame.sites.iloc[frame.site[pixels]]
    asked: NDArray[np.bool_] = ((sites["role"] == "sown") | (sites["used_by"] > 0)).to_numpy()
    return asked
