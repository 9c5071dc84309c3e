"""The broker without a server, for which a message that cannot be read is no reason to stop."""

import logging
from queue import Empty
from typing import Any

from kombu.transport import filesystem

log = logging.getLogger(__name__)


class Channel(filesystem.Channel):
    """Passes over what is no message: written while the disk was full, or still being written.

    The sweep rings again for whatever it was about.
    """

    def _get(self, queue: str, timeout: float | None = None) -> Any:
        try:
            return super()._get(queue)
        except ValueError as error:
            log.warning("A message of the queue %s cannot be read: %s", queue, error)
            raise Empty from None


class Transport(filesystem.Transport):
    """The file-system transport with that channel."""

    Channel = Channel
