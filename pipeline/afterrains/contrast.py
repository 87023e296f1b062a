"""Judging sown sites against comparable unsown ground; the work is done in `evidence`."""

from afterrains.evidence.judgement import HISTORY_COLUMNS, Judgement, judge, judge_programme

__all__ = ["HISTORY_COLUMNS", "Judgement", "judge", "judge_programme"]
