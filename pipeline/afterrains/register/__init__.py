"""The register: what was sown where, when, how and at what cost, and comparable unsown ground."""

from afterrains.register.check import Register, check_inputs, read_register
from afterrains.register.plots import check_plots, read_plots

__all__ = ["Register", "check_inputs", "check_plots", "read_plots", "read_register"]
