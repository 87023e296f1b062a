"""The report page: one self-contained file, built from the output folder alone.

rows, records, site_tables, folder
                what the page reads, as plain typed rows
seasons         order and names of seasons
next_step       what a manager does after each verdict: the one rule
texts           every word the page says, from one catalogue
palette         its colours, with their source
axes, panels    scales, ticks, paths and frames of drawings
site_chart      one site through the seasons (gain_panel: its gain as judged each season)
gain_bars       gains on a common scale
pictures        windows of the rasters as small inline images
blocks          blocks of ground, and which sites lie on them
plates          the maps (ground_drawing: ground to drawing units; close_ups: single sites)
sites           how a site is named everywhere
first_screen, table, sheets, facts, record    what the parts of the page say
build           all of it into one HTML file
apart           the same in a process of its own, for a large programme
"""

from afterrains.delivery.page.apart import build_apart
from afterrains.delivery.page.build import build

__all__ = ["build", "build_apart"]
