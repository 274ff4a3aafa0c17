"""What makes the tables of a profile unusable that say what the supply protects by itself."""

from __future__ import annotations

from benchd.supplies.profile_shape import Fault
from benchd.supplies.profile_tables import Profile, Watchdog


def protection_faults(profile: Profile) -> list[Fault]:
    """As (place, given, allowed)."""
    found = _delay_faults(profile)
    for name in ("over_voltage", "over_current"):
        protection = getattr(profile, name)
        if protection is None:
            continue
        if protection.level == "own" and (protection.set_level is None) != (protection.get_level is None):
            given = (protection.set_level, protection.get_level)
            found.append((f"table [{name}], keys set_level and get_level", given, "both, or neither"))
        if protection.level == "limit" and protection.set_level is not None:
            found.append((f"table [{name}], key set_level", protection.set_level, 'nothing where level is "limit"'))
    if profile.over_voltage and profile.over_voltage.level == "limit":
        found.append(("table [over_voltage], key level", "limit", '"own": no current limit bounds a voltage'))
    return found


def _delay_faults(profile: Profile) -> list[Fault]:
    found: list[Fault] = []
    for name in ("over_voltage", "over_current", "watchdog"):
        table = getattr(profile, name)
        if table is None or table.set_delay is None:
            continue
        if table.get_delay is None:
            found.append((f"table [{name}], key get_delay", None, "a question where set_delay is given"))
        least, most, step = table.min_delay_s, table.max_delay_s, table.delay_step_s
        if not least + step <= most:
            given = (least, most)
            found.append((f"table [{name}], keys min_delay_s and max_delay_s", given, f"at least {step:g} s apart"))
        unit_s = 1.0 if isinstance(table, Watchdog) else table.delay_unit_s
        if not step / unit_s * 10**table.delay_decimals >= 1 - 1e-9:
            allowed = f"no less than the last digit written ({table.delay_decimals} decimals)"
            found.append((f"table [{name}], key delay_step_s", step, allowed))
    return found
