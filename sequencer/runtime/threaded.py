"""A back end behind a thread and a mailbox, so that a slow device never holds up the scan.

The thread reads all the time and writes the newest image; the loop takes the newest scan, with the
time at which it was read. If no newer image comes before the expiry of the last one, the thread
writes the safe values by itself: so a core that is stuck is covered. What a killed process leaves
behind is the business of the rig's own dead-man.

After a loss of the link, and after an expiry, nothing that the loop decided without knowing of it
is written: first a read has to tell the loop, and only an image that comes after that counts.
"""

import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum

from sequencer.config import Rig
from sequencer.driver import Attendant, Driver, Scan
from sequencer.errors import DriverError, LinkLost, LinkTimeout
from sequencer.material import Material
from sequencer.model import ChannelValue, Image
from sequencer.recipe import Recipe
from sequencer.runtime.clock import Clock
from sequencer.units import ns

FIRST_BACK_OFF_s, LONGEST_BACK_OFF_s = 0.1, 5.0
CLOSING_s = 2.0
"""How long `close` waits for a device that does not answer."""


class LinkState(Enum):
    """How the link to the device stands."""

    CLOSED = "closed"
    UP = "up"
    TROUBLED = "troubled"
    """The device is there, its last answer or confirmation was missing."""
    LOST = "lost"
    """Being reached for again, with growing pauses."""


@dataclass(frozen=True, slots=True)
class Link:
    """The state of the link, since when, why, and what there has been so far."""

    state: LinkState = LinkState.CLOSED
    since_ns: int = 0
    reason: str = ""
    attempts: int = 0
    losses: int = 0
    faults: int = 0
    expiries: int = 0


class ThreadedDriver:
    """A driver with a thread before it; see `sequencer.driver.Driver`.

    ``read`` and ``write`` never block on the device. ``clock`` is the loop's.
    """

    def __init__(self, driver: Driver, rig: Rig, clock: Clock) -> None:
        self._driver = driver
        self._clock = clock
        self._poll_s = max(rig.timing.poll_s, 1e-3)
        self._silence_ns = ns(rig.timing.outputs_expire_s)
        self._thread: threading.Thread | None = None
        self._box = threading.Condition()
        # All of these are touched with the box locked only.
        self._scan: Scan | None = None
        self._scan_ns = 0
        self._tried: Mapping[str, ChannelValue] = {}
        self._newest: Image | None = None
        self._pending: Image | None = None
        self._safe: Mapping[str, ChannelValue] = {}
        self._safe_due = False
        self._untold = ""
        self._write_error: DriverError | None = None
        self._closing = False
        self._link = Link()

    @property
    def link(self) -> Link:
        """How the link to the device stands."""
        with self._box:
            return self._link

    def open(self) -> None:
        """Reach the device and read once, then let the thread take over; nothing is written."""
        if self._thread is not None:
            return
        self._driver.open()
        try:
            began_ns = self._clock.now_ns()
            scan = self._driver.read(began_ns)
        except DriverError:
            self._driver.close()
            raise
        self._scan, self._scan_ns = scan, began_ns
        self._newest = self._pending = self._write_error = None
        self._untold, self._tried, self._safe = "", {}, {}
        self._closing = self._safe_due = False
        self._link = replace(self._link, state=LinkState.UP, since_ns=began_ns, reason="")
        self._thread = threading.Thread(target=self._serve, name="driver", daemon=True)
        self._thread.start()

    def read(self, now_ns: int) -> Scan:
        """Return the newest scan at once, each value with the time at which it was read.

        Raises:
            LinkLost: while the link is lost, and once after it came back or an image expired.
            LinkTimeout: if nothing was read for as long as an image of outputs lives.
        """
        with self._box:
            if self._untold:
                reason = self._untold
                if self._link.state is not LinkState.LOST:
                    self._untold = ""
                raise LinkLost(reason)
            if self._scan is None or self._thread is None:
                raise LinkLost("the driver is not open")
            if now_ns - self._scan_ns > self._silence_ns:
                raise LinkTimeout(self._link.reason or "the device takes too long to be read")
            return Scan(
                tuple(
                    raw if raw.taken_ns <= now_ns else raw._replace(taken_ns=now_ns)
                    for raw in self._scan.raw
                ),
                self._comparable(self._scan.read_back),
            )

    def write(self, image: Image, now_ns: int) -> None:  # noqa: ARG002  the expiry says enough
        """Leave the image for the thread, which writes the newest one that it finds.

        Raises:
            LinkLost: if the loop does not yet know of a loss or an expiry; the image is dropped.
            DriverError: if the image before this one could not be written; this one is taken.
        """
        with self._box:
            if self._untold or self._thread is None:
                raise LinkLost(self._untold or "the driver is not open")
            self._newest = self._pending = image
            self._safe, self._safe_due = image.safe, False
            self._box.notify()
            error, self._write_error = self._write_error, None
        if error is not None:
            raise error

    def close(self) -> None:
        """Write the newest image and then its safe values, because nobody will look any more."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        with self._box:
            self._closing = True
            self._box.notify()
        thread.join(CLOSING_s)
        with self._box:
            self._link = replace(self._link, state=LinkState.CLOSED)

    def lay_in(self, recipe: Recipe, material: Material) -> None:
        """Pass on what will be laid in."""
        self._driver.lay_in(recipe, material)

    def attendant(self) -> Attendant | None:
        """Return whom the back end stands in for."""
        return self._driver.attendant()

    def prediction(self) -> Mapping[str, float]:
        """Return what the back end knows beyond its sensors."""
        return self._driver.prediction()

    def _comparable(self, read_back: tuple[tuple[str, bool], ...]) -> tuple[tuple[str, bool], ...]:
        """Leave out what was read before the newest image was written: it cannot agree yet."""
        if self._newest is None or self._tried is self._newest.values:
            return read_back
        wanted, tried = self._newest.values, self._tried
        return tuple(
            (name, on)
            for name, on in read_back
            if name not in wanted or wanted[name] == tried.get(name)
        )

    # ---- the thread -----------------------------------------------------------------------------

    def _serve(self) -> None:
        closing = False
        while not closing:
            image, closing = self._next()
            stands = image is None or self._try_write(image)
            if stands and not closing:
                self._try_read()
        try:
            if self._safe:
                self._driver.write(self._safe_image(), self._clock.now_ns())
        except Exception as error:  # see _try_write
            with self._box:
                self._link = replace(self._link, reason=str(error), faults=self._link.faults + 1)
        finally:
            self._driver.close()

    def _next(self) -> tuple[Image | None, bool]:
        """Wait for an image, an expiry, the time of the next read, or the end.

        An image is given once: one that fails is not repeated, a newer one is due every tick.
        Only the safe values are tried until they are written.
        """
        with self._box:
            left_s = self._poll_s - (self._clock.now_ns() - self._scan_ns) * 1e-9
            if self._pending is None and not self._closing and left_s > 0.0:
                self._box.wait(min(left_s, self._poll_s))
            newest, now_ns = self._newest, self._clock.now_ns()
            if newest is not None and newest.expires_ns <= now_ns and not self._closing:
                self._newest = self._pending = None
                self._safe_due = True
                self._untold = "no newer outputs came in time, so the safe ones were written"
                self._link = replace(self._link, expiries=self._link.expiries + 1)
            image, self._pending = self._pending, None
            if image is None and self._safe_due:
                image = self._safe_image()
            return image, self._closing

    def _safe_image(self) -> Image:
        return Image(self._safe, self._safe, self._clock.now_ns() + self._silence_ns)

    def _try_write(self, image: Image) -> bool:
        """Write an image; tell whether the link stands."""
        with self._box:
            self._tried = image.values
        try:
            self._driver.write(image, self._clock.now_ns())
        except Exception as error:  # a back end that breaks its promise is a link that failed
            return self._failed(error, writing=True)
        with self._box:
            if image.values is self._safe and self._newest is None:
                self._safe_due = False
        return True

    def _try_read(self) -> bool:
        began_ns = self._clock.now_ns()
        try:
            scan = self._driver.read(began_ns)
        except Exception as error:  # see _try_write
            return self._failed(error, writing=False)
        with self._box:
            self._scan, self._scan_ns = scan, began_ns
            if self._link.state is not LinkState.UP and self._write_error is None:
                self._link = replace(self._link, state=LinkState.UP, since_ns=began_ns, reason="")
        return True

    # ---- trouble --------------------------------------------------------------------------------

    def _failed(self, error: Exception, *, writing: bool) -> bool:
        """Note a failure, reach again for a device that is gone; tell whether the link stands."""
        now_ns = self._clock.now_ns()
        told = error if isinstance(error, DriverError) else DriverError(f"back end: {error!r}")
        with self._box:
            self._link = replace(
                self._link,
                state=LinkState.TROUBLED,
                reason=str(told),
                faults=self._link.faults + 1,
            )
            if writing:
                self._write_error = told
            silent = now_ns - self._scan_ns > self._silence_ns
            lost = isinstance(error, LinkLost) or not isinstance(error, DriverError) or silent
            if not lost or self._closing:
                return not self._closing
            self._untold, self._safe_due = str(told), bool(self._safe)
            self._newest = self._pending = None
            self._link = replace(
                self._link,
                state=LinkState.LOST,
                since_ns=now_ns,
                attempts=0,
                losses=self._link.losses + 1,
            )
        self._reach_again()
        return False

    def _reach_again(self) -> None:
        """Open the device anew, with growing pauses, until it is read or the driver is closed."""
        pause_s, attempts = FIRST_BACK_OFF_s, 0
        while True:
            attempts += 1
            try:
                self._driver.close()
                self._driver.open()
                began_ns = self._clock.now_ns()
                scan = self._driver.read(began_ns)
            except Exception as error:  # see _try_write
                with self._box:
                    self._link = replace(self._link, attempts=attempts, reason=str(error))
                    if self._closing or self._box.wait_for(lambda: self._closing, pause_s):
                        return
                pause_s = min(2.0 * pause_s, LONGEST_BACK_OFF_s)
                continue
            with self._box:
                self._scan, self._scan_ns, self._tried = scan, began_ns, {}
                self._link = replace(
                    self._link, state=LinkState.UP, since_ns=began_ns, attempts=attempts
                )
            return
