"""The guides as linked pages: `make docs`, from the Markdown files as they stand.

The source folder is the checkout, because guides link to files outside `docs/`. Nothing is fetched,
and a link or an anchor that leads nowhere is a warning, which the build takes for an error.
"""

project = "afterrains"
project_copyright = "the afterrains maintainers"
extensions = ["myst_parser"]
root_doc = "docs/index"
include_patterns = [
    "README.md",
    "DEVELOPERS.md",
    "benchmarks/*/README.md",
    "docs/**.md",
    "models/**.md",
    "sample_scenes/README.md",
]
# Not walked through: the virtual environment alone holds tens of thousands of files.
exclude_patterns = [".*", "docs/_build", "pipeline", "tests", "sample_scenes/scenes", "**/out"]

# A mistyped anchor is found only where headings have anchors: those that the code host makes too.
myst_heading_anchors = 4

html_theme = "alabaster"
html_title = "afterrains"
html_theme_options = {"font_family": "sans-serif", "page_width": "80rem", "sidebar_width": "15rem"}
html_copy_source = False
html_show_sourcelink = False
