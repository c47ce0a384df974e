#!/usr/bin/env python3
"""Confirms certificates of jet selections and of propellant bounds, in exact rational arithmetic.

    python3 check.py FILE_OR_FOLDER ...

One line per certificate; the exit status is 1 when a claim fails (the line names it), 2 when something
cannot be read. Nothing here solves anything and nothing here comes from the program that wrote the
certificates: on-times are checked against what they must deliver, and multipliers y >= or <= 0 against
weak duality. For on-times t with 0 <= t_j <= limit_j that deliver low <= A t <= high, and any y,

    price.t  >=  sum_i min(y_i low_i, y_i high_i)  -  sum_j max(0, y.a_j - price_j) limit_j.

The same without prices shows that a range cannot be delivered at all.
"""
import json
import sys
from fractions import Fraction
from pathlib import Path

# Relative tolerances: the answers are single precision, the arithmetic here is exact.
DELIVERED = Fraction(1, 10**5)  # of the demand's largest row, rows in units of their largest full pulse
LEAST = Fraction(2, 10**5)  # of the price
SHARE = Fraction(2, 10**5)  # of lambda
ADDED_UP = Fraction(1, 10**6)  # claimed sums, of their terms
BOUND = Fraction(1, 10**9)  # of the propellant bound (double precision)
CLOSED = Fraction(1, 10**3)  # of the impulse turned: what the impulse account may miss
CENTRE_M = Fraction(1, 10**6)  # between the recorded and the computed centre of mass at the end
TRIFLE = Fraction(2, 10**12)  # of a full pulse: as good as nothing
# Published constants that a certificate must not be more generous with.
SLACK, FLOOR, SPILL, LEEWAY = (Fraction(x) for x in ("1.0001e-4", "0.020001", "0.020001", "1.2e-5"))
STANDARD_GRAVITY_M_S2 = Fraction("9.80665")


class Fails(Exception):
    """A claim that does not hold."""


def claim(holds, words):
    if not holds:
        raise Fails(words)


def number(text):
    return None if text is None else Fraction(text)


def rows(parts):
    """The rows of a vector: those that turn, then those that push."""
    stems = ("turn", "push")
    return [number(v) for stem in stems for key in parts if key.startswith(stem) for v in parts[key]]


def dot(a, b):
    return sum((x * y for x, y in zip(a, b)), Fraction(0))


def least(y, low, high):
    """Smallest y x over low <= x <= high; None stands for an edge at infinity."""
    edge = low if y > 0 else high
    claim(y == 0 or edge is not None, "a multiplier presses on an edge that is not there")
    return y * edge if y else Fraction(0)


def power_of_two(x):
    """The power of two at or below x; 1 for nothing."""
    if x <= 0:
        return Fraction(1)
    power = Fraction(2) ** (x.numerator.bit_length() - x.denominator.bit_length())
    return power if power <= x else power / 2


class Selection:
    def __init__(self, told):
        jets = told["jets"]
        self.names = [jet["jet"] for jet in jets if jet["usable"]]
        self.columns, self.price, self.limit, self.time = [], [], [], []
        for jet in jets:
            time = number(jet["on_time_s"])
            claim(jet["usable"] or time == 0, f"on-times: {jet['jet']} may not fire")
            if jet["usable"]:
                self.columns.append(rows(jet["column"]))
                self.price.append(number(jet["price_kg_s"]))
                self.limit.append(number(jet["limit_s"]))
                self.time.append(time)
        self.low, self.high = rows(told["demand"]["low"]), rows(told["demand"]["high"])
        self.nearest = [
            low if low is not None and low > 0 else high if high is not None and high < 0 else Fraction(0)
            for low, high in zip(self.low, self.high)
        ]
        self.count = range(len(self.low))
        self.claims, self.rules = told["claims"], {k: number(v) for k, v in told["rules"].items()}
        self.delivered = self.add_up(lambda entry, time: entry * time)
        self.gathered = self.add_up(lambda entry, time: abs(entry * time))
        self.pulse = [max((abs(c[i]) * l for c, l in zip(self.columns, self.limit)), default=Fraction(0))
                      for i in self.count]  # fmt: skip

    def add_up(self, term):
        return [sum((term(c[i], t) for c, t in zip(self.columns, self.time)), Fraction(0)) for i in self.count]

    def ranges(self, share):
        """The demand slid towards zero until `share` of its nearest point is left."""
        slid = lambda edges: [
            None if edge is None else edge - (1 - share) * r for edge, r in zip(edges, self.nearest)
        ]
        return slid(self.low), slid(self.high)

    def limits(self, share):
        """On-time limits: as given, and no more than `longest` times what the demand takes by itself."""
        unit = [power_of_two(max((abs(c[i]) for c in self.columns), default=0)) for i in self.count]
        size = max(abs(r) / u for r, u in zip(self.nearest, unit))
        taken = [power_of_two(max(abs(a) / u for a, u in zip(c, unit))) for c in self.columns]
        longest = self.rules["longest"] * share * size
        return [min(limit, longest / t) for limit, t in zip(self.limit, taken)]

    def least_price(self, y, low, high, limits):
        """The best bound that any multiple of y proves; its kinks are where a jet is worth its price."""
        edges = sum(map(least, y, low, high), Fraction(0))
        jets = [(dot(y, c), p, l) for c, p, l in zip(self.columns, self.price, limits)]
        bound = lambda s: s * edges - sum(max(0, s * worth - p) * l for worth, p, l in jets)
        return max(bound(s) for s in [Fraction(0), Fraction(1), *(p / w for w, p, _ in jets if w > 0)])

    def out_of_reach(self, y, share):
        """Whether y proves that `share`, and with it any larger one, cannot be delivered: what the ranges
        want is concave against what the jets give, and at a share of nothing nothing is wanted."""
        wanted = sum(map(least, y, *self.ranges(share)), Fraction(0))
        given = sum((max(0, dot(y, c)) * l for c, l in zip(self.columns, self.limits(share))), Fraction(0))
        return wanted > given


def check_selection(told):
    s = Selection(told)
    outcome, share = s.claims["outcome"], number(s.claims["lambda"])
    for rule, most in (("slack", SLACK), ("floor", FLOOR), ("spill", SPILL)):
        claim(0 < s.rules[rule] <= most, f"rules: {rule} is more generous than published")
    for name, time, limit in zip(s.names, s.time, s.limit):
        claim(0 <= time <= limit, f"on-times: {name} is outside 0 to its limit")
    claim(all(p >= 0 for p in s.price), "prices: one is below zero")
    if outcome in ("nothing_asked", "no_jets"):
        return check_quiet(s, outcome)
    words = {"delivered": 1, "shortened": 1, "axes_by_priority": 0, "delivered_but_for_coupling": 0}
    claim(outcome in words, f"outcome: {outcome} is none that fires")
    whole = bool(words[outcome])
    limits = s.limits(share if whole else Fraction(1))
    for name, time, limit in zip(s.names, s.time, limits):
        claim(time <= limit * (1 + ADDED_UP), f"on-times: {name} acts longer than the demand can take")
    check_sums(s)
    y, reach = rows(s.claims["multipliers"]), rows(s.claims["reach_multipliers"])
    price = dot(s.price, s.time)
    low, high = s.ranges(share) if whole else wanted_ways(s, outcome)
    check_delivered(s, low, high)
    if outcome == "delivered":
        claim(share == 1, "lambda: all is delivered, so it must be 1")
        reached = "all of the demand"
    elif outcome == "shortened":
        beyond = share / (1 - s.rules["slack"]) * (1 + SHARE)
        claim(0 < share < 1 and (beyond >= 1 or s.out_of_reach(reach, beyond)),
              "lambda: the reach multipliers do not prove that no more is within reach")  # fmt: skip
        reached = f"lambda {float(share):.6g}, no more within reach"
    else:
        claim(s.out_of_reach(reach, s.rules["floor"] * (1 + SHARE)),
              "lambda: the reach multipliers do not prove that the direction cannot be kept")  # fmt: skip
        low, high = s.delivered, s.delivered
        reached = "direction proven lost, no row pushed the wrong way; the choice between axes is not proven"
    proven = s.least_price(y, low, high, limits)
    # Where propellant is all but free, against what the dearest jet would take for a thousandth of the time.
    unit = max(price, max(s.price) * sum(s.time) / 1000)
    claim(price <= proven + LEAST * unit, f"price: the multipliers prove only {float(proven):.9g} kg")
    gap = float((price - proven) / unit) if unit else 0.0
    return f"{outcome}, {reached}; {float(price):.6g} kg, least to {max(gap, 0.0):.1e}"


def check_quiet(s, outcome):
    claim(not any(s.time), "on-times: nothing may fire")
    if outcome == "nothing_asked":
        small = all(abs(r) <= TRIFLE * pulse for r, pulse in zip(s.nearest, s.pulse))
        claim(small, "outcome: something is asked for")
    else:
        claim(not any(s.pulse), "outcome: a usable jet has an effect")
    return f"{outcome}, nothing fires"


def check_sums(s):
    price = number(s.claims["price_kg"])
    claim(abs(price - dot(s.price, s.time)) <= ADDED_UP * price, "price: not what the on-times cost")
    achieved, remaining = rows(s.claims["achieved"]), rows(s.claims["remaining"])
    for got, left, low, high, sum_, size in zip(
        achieved, remaining, s.low, s.high, s.delivered, s.gathered, strict=True
    ):
        claim(abs(got - sum_) <= ADDED_UP * size, "achieved: not what the on-times deliver")
        missing = low - sum_ if low is not None and sum_ < low else 0
        missing = high - sum_ if high is not None and sum_ > high else missing
        claim(abs(left - missing) <= ADDED_UP * (size + abs(missing)), "remaining: not what is left")


def check_delivered(s, low, high):
    unit = [pulse or Fraction(1) for pulse in s.pulse]
    target = [low_ if low_ and low_ > 0 else high_ if high_ and high_ < 0 else 0 for low_, high_ in zip(low, high)]
    size = max(abs(t) / u for t, u in zip(target, unit))
    for got, low_, high_, u in zip(s.delivered, low, high, unit):
        room = DELIVERED * size * u
        claim((low_ is None or got >= low_ - room) and (high_ is None or got <= high_ + room),
              "delivered: a row is outside its range")  # fmt: skip


def wanted_ways(s, outcome):
    """No row the wrong way and none beyond its demand, but for a leeway and, with coupling, a spill; in
    units of what the jets of a block of rows can do, against the largest demand within reach."""
    able = [sum((abs(c[i]) * l for c, l in zip(s.columns, s.limit)), Fraction(0)) for i in s.count]
    block = [max(able[i - i % 3 : i - i % 3 + 3]) for i in s.count]
    wanted = [min(abs(r), a * Fraction("1.07")) for r, a in zip(s.nearest, able)]
    size = max((w / b for w, b in zip(wanted, block) if b), default=Fraction(0))
    room = (LEEWAY + (s.rules["spill"] if outcome == "delivered_but_for_coupling" else 0)) * size
    low = [None if x is None else min(x, 0) - room * b for x, b in zip(s.low, block)]
    return low, [None if x is None else max(x, 0) + room * b for x, b in zip(s.high, block)]


def check_bound(told):
    """With y.a_j <= price_j for every jet about every centre of mass on the way, whatever was fired cost at
    least y.(angular impulse the jets had to deliver)."""
    vector = lambda values: [Fraction(v) for v in values]
    account = {key: vector(value) for key, value in told["impulse"].items()}
    needed = [
        change + gyroscopic - disturbance
        for change, gyroscopic, disturbance in zip(
            account["momentum_change_n_m_s"], account["gyroscopic_n_m_s"], account["disturbance_n_m_s"]
        )
    ]
    missing = [abs(n - j) for n, j in zip(needed, account["jets_n_m_s"])]
    jets = [{k: number(v) if k.endswith(("_s", "_kg")) else v for k, v in jet.items()} for jet in told["jets"]]
    arm = lambda jet, centre: cross([Fraction(p) - c for p, c in zip(jet["position_m"], centre)],
                                    vector(jet["force_direction"]))  # fmt: skip
    start, end = vector(told["centre_of_mass_start_m"]), vector(told["centre_of_mass_end_m"])
    turned = sum(jet["impulse_n_s"] * length(arm(jet, start)) for jet in jets)
    claim(length(missing) <= CLOSED * max(turned, length(needed)), "impulse: the account does not close")
    # Each draining tank full or drained: the centre of mass stays in the hull of these corners.
    mass = number(told["mass_start_kg"])
    corners = [(mass, [mass * c for c in start])]
    for tank in told["tanks"]:
        drained = sum((jet["propellant_kg"] for jet in jets if jet["tank"] == tank["tank"]), number(tank.get("engine_kg", "0")))
        place = vector(tank["position_m"])
        if drained:
            corners += [(m - drained, [x - drained * p for x, p in zip(mx, place)]) for m, mx in corners]
    centres = [[x / m for x in moment] for m, moment in corners]
    claim(length([a - b for a, b in zip(centres[-1], end)]) <= CENTRE_M, "centre of mass: not where tanks put it")
    y, worst = vector(told["multipliers_kg_per_n_m_s"]), Fraction(0)
    for jet in jets:
        claim(jet["could_fire"] or jet["impulse_n_s"] == 0, f"jets: {jet['jet']} fired and is left out")
        price = 1 / (jet["specific_impulse_s"] * STANDARD_GRAVITY_M_S2)
        if jet["could_fire"]:
            worst = max(worst, *(dot(y, arm(jet, centre)) / price for centre in centres))
    proven = max(0, (dot(y, needed) - dot(map(abs, y), missing)) / max(worst, Fraction(1)))
    claimed, used = number(told["claims"]["bound_kg"]), number(told["claims"]["propellant_kg"])
    claim(abs(claimed - proven) <= BOUND * proven, f"bound: the multipliers prove {float(proven):.12g} kg")
    total = sum(jet["propellant_kg"] for jet in jets)
    claim(abs(used - total) <= BOUND * total, "propellant: not the sum over the jets")
    claim(used >= proven, "propellant: less was used than is proven to be needed")
    return f"no firing for less than {float(proven):.6g} kg; {float(used):.6g} kg used"


def length(v):
    return Fraction(float(dot(v, v)) ** 0.5)


def cross(a, b):
    return [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]


def main(places):
    files = [f for p in map(Path, places) for f in (sorted(p.rglob("*.json")) if p.is_dir() else [p])]
    if not files:
        print("usage: check.py FILE_OR_FOLDER ...  (no certificate found)", file=sys.stderr)
        return 2
    kinds = {"jet_selection": check_selection, "propellant_bound": check_bound}
    refused = unread = 0
    for file in files:
        try:
            told = json.loads(file.read_text(encoding="utf-8"))
            claim(told["version"] == 1, f"version: {told['version']} is not 1")
            print(f"confirmed {file}: {kinds[told['certificate']](told)}")
        except Fails as fails:
            refused += 1
            print(f"REFUSED {file}: {fails}")
        except BrokenPipeError:
            raise
        except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
            unread += 1
            print(f"UNREADABLE {file}: {type(error).__name__}: {error}")
    print(f"{len(files)} certificates: {len(files) - refused - unread} confirmed, {refused} refused, {unread} unreadable")
    return 1 if refused else 2 if unread else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
