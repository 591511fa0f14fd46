"""The fake Bluetooth service with one fault more: an adapter that is pulled out, of which no device tells anything.

Run as a program with the path of the fake service before its own arguments. Adds to the scenario
`[[adapter.fault]] kind = "unplug"` with `at` and `s`.
"""

from __future__ import annotations

import importlib.util
import sys
from types import ModuleType
from typing import Any


def loaded(path: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location("fake_bluez", path)
    if spec is None or spec.loader is None:
        raise SystemExit(f"no fake service at {path}")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def with_unplugging(fake: ModuleType) -> None:
    plain: Any = fake.FakeBluez

    class Unplugging(plain):  # type: ignore[misc]
        speechless = False

        def signal(self, *args: Any) -> None:
            if not self.speechless:
                super().signal(*args)

        async def adapter_fault(self, fault: dict[str, Any]) -> None:
            if fault["kind"] != "unplug":
                await super().adapter_fault(fault)
                return
            await self.until(fault["at"])
            self.truth.log("adapter_power", on=False)
            # A real service says of each device that it is disconnected; a faulty one may say nothing.
            self.speechless = True
            for sensor in self.sensors:
                self.cancel_connect(sensor)
                self.link_down(sensor, "adapter pulled out")
                if sensor.known:
                    self.forget(sensor)
            self.speechless, self.powered = False, False
            adapter = self.obj[fake.ADAPTER]
            self.remove_object(fake.ADAPTER)
            await self.until(fault["at"] + fault["s"])
            self.powered = True
            self.add_object(fake.ADAPTER, adapter)
            self.truth.log("adapter_power", on=True)

    fake.FakeBluez = Unplugging  # type: ignore[attr-defined]


if __name__ == "__main__":
    module = loaded(sys.argv.pop(1))
    with_unplugging(module)
    sys.exit(module.main())
