"""The exit statuses of every command, and which fault has which.

0 good · 1 the content has faults · 2 unusable input or usage · 3 the other end could not be reached.
"""

from gateway.errors import ConfigurationFault, GatewayError, GatewayFault, SenderFault, Unreachable, UsageFault

GOOD, FAULTY, UNUSABLE, NO_OTHER_END = 0, 1, 2, 3

#: Which exit status a branch of the error tree has; the first that fits.
STATUSES: tuple[tuple[type[GatewayError], int], ...] = (
    (SenderFault, FAULTY),
    (ConfigurationFault, UNUSABLE),
    (UsageFault, UNUSABLE),
    (Unreachable, NO_OTHER_END),
    (GatewayFault, NO_OTHER_END),
)


def status_of(error: GatewayError) -> int:
    """Give back the status a command leaves with after this error."""
    return next((status for branch, status in STATUSES if isinstance(error, branch)), UNUSABLE)
