"""Evidence: contrasts of sown and comparable unsown ground, verdicts, outlook, what works."""

from afterrains.evidence.judgement import HISTORY_COLUMNS, Judgement, judge, judge_programme
from afterrains.evidence.verdicts import VERDICTS

__all__ = ["HISTORY_COLUMNS", "VERDICTS", "Judgement", "judge", "judge_programme"]
