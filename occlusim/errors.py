"""What can go wrong, by name. Messages say what was given, what is allowed and what to do next."""


class OcclusimError(Exception):
    """Root of every error that occlusim raises on purpose."""


class InputError(OcclusimError, ValueError):
    """A wrong shape, unit, range or file; the message names the value and what is allowed."""


class MeshError(InputError):
    """A mesh that cannot be used: broken file, open where closed is needed, non-manifold, NaN."""


class CaseFileError(InputError):
    """A case file that cannot be used; the message names the file, the key and the line."""


class OutputError(InputError):
    """The output folder cannot be written."""


class DegenerateProblem(OcclusimError):
    """The data cannot determine the answer (flat bite scan, collinear landmarks)."""


class NotConverged(OcclusimError):
    """An iteration ended without reaching its tolerance; the message gives the residual."""


class RegistrationRefused(OcclusimError):
    """The bite record cannot be trusted; the message gives the reasons."""
