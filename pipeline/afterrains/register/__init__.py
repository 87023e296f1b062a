"""The register: what was sown where, when, how and at what cost, and comparable unsown ground."""

from afterrains.register.check import Register, check_inputs, read_register

__all__ = ["Register", "check_inputs", "read_register"]
