"""The report page: one self-contained file, built from the output folder alone.

folder      what the page reads, as plain typed rows
seasons     order and names of seasons
next_step   what a manager does after each verdict: the one rule
texts       every word the page says, from one catalogue
palette     its colours, with their source
axes        scales, ticks and paths
site_chart  one site through the seasons
gain_bars   gains on a common scale
pictures    windows of the rasters as small inline images
plates      the maps: sites over pictures of the ground
first_screen, sheets, record    what the three parts of the page say
build       all of it into one HTML file
"""

from afterrains.delivery.page.build import build

__all__ = ["build"]
