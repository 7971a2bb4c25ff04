"""Keys and scans while the gauge is checked at the bench: what begins it, leaves it, widens it, and who signs it."""

from __future__ import annotations

from collections.abc import Callable

from capture.bench.bench import Bench
from capture.clearance.signing import SignedWay
from capture.dashboard.form import Form
from capture.dashboard.showing import Showing
from capture.dashboard.view import BenchView
from capture.job.people import KeyRefused, PeopleError
from capture.record import RecordError
from capture.recordings.file import RecordingError
from capture.session.form_runner import FormRunner


class GaugeKeys:
    """What the keys of the gauge's screen do; it is open as long as a check of the gauge goes."""

    def __init__(self, bench: Bench, say: Callable[[str], None], typed: Callable[[str], bool]) -> None:
        """`typed` takes a key for a reading that is typed, and says whether it was one."""
        self._bench, self._say, self._typed = bench, say, typed
        self._forms = FormRunner(bench)

    @property
    def open(self) -> bool:
        """Whether a check of the gauge is on the screen."""
        return self._bench.gauge.check is not None

    @property
    def typing(self) -> bool:
        """Whether letters are text now."""
        return self._forms.page.form is not None

    def showing(self, view: BenchView) -> Showing:
        """Return the gauge's screen."""
        made, standing = self._bench.gauge.check, self._bench.state.gauge
        assert made is not None
        was = standing.text if standing is not None else ""
        return Showing(view, "gauge", self._forms.page, gauge=made.shown(was))

    async def begin(self, *, over_the_range: bool = False) -> None:
        """Begin a check of the gauge against masters, or say why that cannot be."""
        try:
            await self._bench.gauge.begin(over_the_range=over_the_range)
        except (RecordError, RecordingError) as error:
            self._say(str(error))

    async def key(self, key: str) -> None:
        """Act on a key."""
        bench, form = self._bench, self._forms.page.form
        made = bench.gauge.check
        if form is not None:
            await self._forms.key(form, key)
        elif key == "a" and bench.air is not None:
            bench.air.disarm()
        elif self._typed(key):
            return
        elif key == "enter" and made is not None and made.fact is not None:
            if "gauge-check" in bench.setup.keys_for:
                self._ask(made.text)
            elif why := await self._sign(made.fact.by):
                self._say(why)
        elif key == "l" and made is not None and made.may_widen:
            await bench.gauge.leave()
            await self.begin(over_the_range=True)
        elif key == "escape":
            # What was measured is kept, whatever it says.
            if made is not None and made.measured:
                self._say("It is measured: Enter signs it.")
            else:
                await bench.gauge.leave()

    def named(self, name: str) -> None:
        """A name was scanned: the open form is signed by it."""
        if self._forms.page.form is not None:
            self._forms.page.form.put("by", name)

    def scanned(self, text: str) -> None:
        """A scan that is no code goes where one types."""
        if self._forms.page.form is not None:
            self._forms.scanned(self._forms.page.form, text)

    def pasted(self, text: str) -> bool:
        """Take what came at once for a paste, where people write words; say whether."""
        return self._forms.pasted(text)

    def _ask(self, result: str) -> None:
        async def submit(values: dict[str, str]) -> str:
            return await self._sign(self._forms.person(values["by"]))

        fields = self._forms.signing("gauge-check")
        self._forms.ask(Form("Sign the check of the gauge", fields, said=(result,), does="signs it"), submit)

    async def _sign(self, name: str) -> str:
        """Sign what was measured by a name, and by the key that was typed where one is asked for; return why not."""
        gauge = self._bench.gauge
        made = gauge.check
        assert made is not None and made.fact is not None
        try:
            signed: SignedWay = await self._forms.signed("gauge-check", name)
            number = await gauge.sign(name, signed)
        except (KeyRefused, PeopleError, RecordError) as error:
            return f"{error}"
        self._forms.turn()
        self._say(f"Entry {number}: {made.text}")
        if made.fact.check.refusal is not None:
            await self.begin(over_the_range=made.over_the_range)
        return ""
