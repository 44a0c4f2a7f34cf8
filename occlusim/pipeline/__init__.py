"""One case through all stages."""

from occlusim.pipeline.check import CheckResult, check_case

__all__ = ["CheckResult", "check_case"]
