"""The answers to what the cycle's table asks, from the turn in hand."""

from sequencer.core.memory import Exposure, Gap
from sequencer.core.outputs import pressure_seen
from sequencer.core.turn import Turn
from sequencer.model import Clamp


class TurnGuards:
    """Answers the table's questions about the turn in hand."""

    state = ""
    turn: Turn

    def pressure_seen(self) -> bool:
        """A film sensor shows pressure, or what it shows cannot be believed."""
        return pressure_seen(self.turn)

    def film_untouched(self) -> bool:
        """No gas has reached the film since it was proven bled, none waits, and it still shows."""
        memory = self.turn.memory
        untouched = memory.exposure is Exposure.NO and memory.gap is not Gap.CHARGED
        return untouched and not pressure_seen(self.turn)

    def clamp_applied(self) -> bool:
        """The clamp was last told to close."""
        return self.turn.under_clamp()

    def clamp_not_begun(self) -> bool:
        """The clamp has not yet been told anything in this purge."""
        return self.turn.memory.outputs.clamp is Clamp.LEAVE

    def finish_cooling(self) -> bool:
        """The person who stopped wants the stack cooled under pressure first."""
        return self.turn.memory.finish_cooling

    def wants_cooling(self) -> bool:
        """The recipe names a demold temperature."""
        return self.turn.recipe.demold is not None

    def clamp_kept(self) -> bool:
        """The clamp stays closed."""
        memory = self.turn.memory
        return memory.fallback_clamp is Clamp.APPLY or memory.clamp_found == "closed"

    def clamp_seen_open(self) -> bool:
        """The clamp has been proven open."""
        return self.turn.memory.clamp_found == "open"
