"""What can go wrong that a user can mend: one base class, one leaf per kind.

Every message says in this order where the fault is, what was found, what is allowed
and what to do.
"""


class MicromeasureError(Exception):
    """Base of every error whose message is meant for the user."""


class StudyError(MicromeasureError):
    """A study file, a manifest or a request is wrong; nothing was written.

    Parameters
    ----------
    problems : list of str
        One sentence each.
    """

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class CalibrationError(StudyError):
    """A calibration file is wrong, or a calibration could not be made."""


class ImageReadError(MicromeasureError):
    """An image cannot be read, or its header breaks a limit."""


class MeasurementError(MicromeasureError):
    """A quantity cannot be measured in an image; becomes a row of `failures.csv`."""


class ResultsError(MicromeasureError):
    """The results folder cannot be used or written."""


class MissingPartError(MicromeasureError):
    """A system library or an optional extra is not installed."""
