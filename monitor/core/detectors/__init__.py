"""The patterns that are looked for, one file each; detectors do not know one another."""

from __future__ import annotations

from monitor.core.detector import Detector
from monitor.core.detectors.clock_wrong import ClockWrong
from monitor.core.detectors.common_cause import CommonCause
from monitor.core.detectors.contact_disagreement import ContactDisagreement
from monitor.core.detectors.count_mismatch import CountMismatch
from monitor.core.detectors.evaluator_locked_out import EvaluatorLockedOut
from monitor.core.detectors.feed_gap import FeedGap
from monitor.core.detectors.feed_silent import FeedSilent
from monitor.core.detectors.level_drift import LevelDrift
from monitor.core.detectors.level_out import LevelOut
from monitor.core.detectors.line_file_doubt import LineFileDoubt
from monitor.core.detectors.long_occupation import LongOccupation
from monitor.core.detectors.occupied_no_train import OccupiedNoTrain
from monitor.core.detectors.one_sided_head import OneSidedHead
from monitor.core.detectors.repeat_disturbance import RepeatDisturbance
from monitor.core.detectors.reset_not_held import ResetNotHeld
from monitor.core.detectors.reset_unproved import ResetUnproved
from monitor.core.detectors.restoration_incomplete import RestorationIncomplete
from monitor.core.detectors.section_disturbed import SectionDisturbed
from monitor.core.detectors.spurious_occupation import SpuriousOccupation
from monitor.core.detectors.unseen_train import UnseenTrain
from monitor.core.detectors.vanished_train import VanishedTrain
from monitor.core.detectors.worsening import Worsening

CATALOGUE: tuple[Detector, ...] = (
    ClockWrong(),
    CommonCause(),
    ContactDisagreement(),
    CountMismatch(),
    EvaluatorLockedOut(),
    FeedGap(),
    FeedSilent(),
    LevelDrift(),
    LevelOut(),
    LineFileDoubt(),
    LongOccupation(),
    OccupiedNoTrain(),
    OneSidedHead(),
    RepeatDisturbance(),
    ResetNotHeld(),
    ResetUnproved(),
    RestorationIncomplete(),
    SectionDisturbed(),
    SpuriousOccupation(),
    UnseenTrain(),
    VanishedTrain(),
    Worsening(),
)
"""One detector a kind, with the defaults, in the order of their kinds."""
