"""One case through all stages, or its bite alone."""

from occlusim.pipeline.check import CheckResult, check_case
from occlusim.pipeline.register import RegisterResult, register_case

__all__ = ["CheckResult", "RegisterResult", "check_case", "register_case"]
