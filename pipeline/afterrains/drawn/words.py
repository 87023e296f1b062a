"""What is said of every drawn patch until somebody has been there."""

__all__ = ["NOT_VISITED"]

NOT_VISITED = "drawn, seen by nobody: it may have been sown, farmed, fenced or settled"
"""Note of a drawn control in controls.csv; what else is odd about it follows."""
