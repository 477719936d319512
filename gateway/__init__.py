"""An interoperability gateway that links care reports and admissions by the wristband identifier."""

__version__ = "0.1.0"
