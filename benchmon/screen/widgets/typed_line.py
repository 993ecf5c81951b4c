"""A line to type in, in which keys take effect in the order they were typed."""

from __future__ import annotations

from textual import events
from textual.widgets import Input


class TypedLine(Input):
    """Textual's line to type in, without its haste.

    There a key that deletes or moves takes effect only after the letters typed behind it, where several arrive at once,
    as on a slow line: `22.5`, Backspace, `4` would become `22.5`.
    """

    async def _on_key(self, event: events.Key) -> None:
        for binding in self._bindings.key_to_bindings.get(event.key, ()):
            if await self.app.run_action(binding.action, self):
                event.stop()
                event.prevent_default()
                return
        await super()._on_key(event)
