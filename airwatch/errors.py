"""Exceptions raised on purpose. The command line turns an AirwatchError into one line and exit status 1."""


class AirwatchError(Exception):
    """Root of the tree; its text says what was wrong, where, and what to do."""


class FrameError(AirwatchError, TypeError):
    """A frame lacks a column or has one of another dtype."""


class PayloadError(AirwatchError, ValueError):
    """A message breaks the contract; its text is the reason kept with the rejected bytes."""


class RecordingError(AirwatchError, ValueError):
    """A recording can't be opened or is not one."""


class RegistryError(AirwatchError, ValueError):
    """The unit registry can't be used; nothing of it is taken."""


class LimitTableError(AirwatchError, ValueError):
    """A limit table can't be used; nothing is judged."""


class AlertError(AirwatchError, ValueError):
    """An alert is not there, or a change to it can't be made; nothing is changed."""


class HandError(AirwatchError, ValueError):
    """A hand measurement can't be read, or a correction of one can't be made; nothing is changed."""


class CampaignError(AirwatchError, ValueError):
    """A campaign or an outcome can't be recorded; nothing is changed."""


class PlanError(AirwatchError, ValueError):
    """A plan can't be made or changed as asked, or what it is made from is wrong; nothing is changed."""


class SignalTableError(AirwatchError, ValueError):
    """The table of CAN signals can't be used; nothing is decoded."""


class StoreError(AirwatchError):
    """The store can't be opened, read or written."""


class BrokerError(AirwatchError):
    """The broker can't be reached or refuses the client."""


class DecoderError(AirwatchError):
    """Decoding can't be done just now, whatever the messages are."""
