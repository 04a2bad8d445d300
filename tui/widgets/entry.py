"""A line to type into that keeps the order in which keys come."""

from __future__ import annotations

from textual import events
from textual.widgets import Input


class Entry(Input):
    """An input whose editing keys act at once.

    The library lets them bubble to the app first, so that what is typed right after one overtakes it:
    over a slow line, where keys come in bundles, "backspace, 3" would do "3, backspace".
    """

    async def on_key(self, event: events.Key) -> None:
        if event.is_printable:
            return
        for binding in self._bindings.key_to_bindings.get(event.key, ()):
            event.stop()
            event.prevent_default()
            await self.run_action(binding.action)
