"""Reference ET and the interval-censored fit beside general-purpose libraries, in one run on one core.

    python3 benches/peers/peers.py [FOLDER]

Makes a throwaway environment (pip: refet, pyet, pyfao56, lifelines; nothing of them is a dependency of
ours), draws inputs from a fixed seed, lets `examples/peers.rs` answer them in a release build, holds the
answers together, and prints one table. Only where answers are equal are times worth comparing: a
difference ends the run. Each time is the best of several runs, without reading and writing.

Where peers differ from each other the comparison is made where they mean the same:
- refet takes a clear sky where the sun stands below 0.3 rad at the start of an hour, we carry the last
  ratio from a high sun (ASCE-EWRI 2005, hourly step), so hours are compared where refet's rule and ours
  both use the hour's own ratio;
- pyfao56 answers one row a call; it is timed on the first rows of each table and scaled.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ["refet==0.5.0", "pyet==1.5.0", "pyfao56==1.4.3", "lifelines==0.30.3"]
ONE_CORE = {name: "1" for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")}


def in_environment(folder):
    """Runs this script again in an environment that has the peers."""
    python = folder / "venv" / "bin" / "python"
    if not python.exists():
        subprocess.run([sys.executable, "-m", "venv", folder / "venv"], check=True)
        subprocess.run([python, "-m", "pip", "install", "-q", *PACKAGES], check=True)
    environment = {**os.environ, **ONE_CORE, "XYLOCAST_PEERS": str(folder)}
    sys.exit(subprocess.run([python, __file__], env=environment).returncode)


if "XYLOCAST_PEERS" not in os.environ:
    given = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(tempfile.mkdtemp(prefix="peers-"))
    given.mkdir(parents=True, exist_ok=True)
    in_environment(given.resolve())

import lifelines
import numpy as np
import pandas as pd
import pyet
import pyfao56.refet as pyfao56
import refet

FOLDER = Path(os.environ["XYLOCAST_PEERS"])
PLACE = (-35.1, 138.6, 48.0)
HOURS = 87_648  # ten years
STATIONS = 10_000
DRAWS = [300, 3_000, 30_000]
SCALAR_ROWS = 5_000
RUNS = 5
DAY_S = 86_400


def best(run, runs=RUNS):
    quickest, answer = float("inf"), None
    for _ in range(runs):
        began = time.perf_counter()
        answer = run()
        quickest = min(quickest, time.perf_counter() - began)
    return quickest, answer


# ---- inputs, invented


def weather(random, lat, lon, elev, epoch):
    """Hours of plausible weather at places; the sun roughly where it is."""
    n = len(epoch)
    solar_h = (epoch / 3600 + lon / 15 + 0.5) % 24
    season = np.cos((epoch / DAY_S / 365.25) * 2 * np.pi) * np.where(lat < 0, 1, -1)
    clear = 0.35 + 0.65 * random.random(n)
    high = np.clip(np.cos((solar_h - 12) / 24 * 2 * np.pi) + 0.1 * season, 0, None)
    air = 15 + 7 * season + 6 * np.cos((solar_h - 15) / 24 * 2 * np.pi) + random.normal(0, 1.5, n)
    humid = np.clip(0.6 - 0.25 * np.cos((solar_h - 15) / 24 * 2 * np.pi) + random.normal(0, 0.08, n), 0.1, 0.98)
    vapour = humid * 0.6108 * np.exp(17.27 * air / (air + 237.3))
    wind = np.clip(2 + random.gamma(2, 0.7, n) - 1, 0.2, None)
    columns = dict(lat=lat, lon=lon, elev=elev, epoch=epoch, air=air, vapour=vapour, wind=wind, rs=850 * high * clear)
    return pd.DataFrame(columns).round(6)


def hours():
    random = np.random.default_rng(1)
    epoch = 1_420_070_400 + 3600 * np.arange(HOURS)
    lat, lon, elev = (np.full(HOURS, value) for value in PLACE)
    return weather(random, lat, lon, elev, epoch)


def stations():
    random = np.random.default_rng(2)
    lat, lon = random.uniform(-50, 50, STATIONS), random.uniform(-180, 180, STATIONS)
    elev = random.uniform(0, 2000, STATIONS)
    first = 1_420_070_400 + DAY_S * random.integers(0, 3650, STATIONS)
    repeat = lambda values: np.repeat(values, 24)
    epoch = repeat(first) + np.tile(3600 * np.arange(24), STATIONS)
    return weather(random, repeat(lat).round(6), repeat(lon).round(6), repeat(elev).round(6), epoch)


def days():
    random = np.random.default_rng(3)
    n = HOURS // 24
    date = pd.date_range("2015-01-01", periods=n)
    doy = date.dayofyear.to_numpy()
    mean = 16 + 7 * np.cos(doy / 365 * 2 * np.pi)
    low, high = mean - random.uniform(3, 8, n), mean + random.uniform(3, 8, n)
    vapour = 0.6108 * np.exp(17.27 * low / (low + 237.3)) * random.uniform(0.7, 1.0, n)
    rs = (18 + 10 * np.cos(doy / 365 * 2 * np.pi)) * random.uniform(0.3, 1.0, n)
    columns = dict(lat=PLACE[0], elev=PLACE[2], doy=doy, low=low, high=high, vapour=vapour, wind=random.uniform(0.5, 5, n), rs=rs)
    return pd.DataFrame(columns).round(6), date


def draws(n):
    """Interval-censored draws with four covariates; one in ten never seen empty."""
    random = np.random.default_rng(n)
    x = random.normal(size=(n, 4))
    ln_t = 1.0 + x @ [0.4, -0.3, 0.2, 0.1] + random.normal(0, 0.5, n)
    low, high = ln_t - random.uniform(0.02, 0.5, n), ln_t + random.uniform(0.02, 0.5, n)
    never = random.random(n) < 0.1
    table = pd.DataFrame(dict(low=np.exp(low), high=np.where(never, -1, np.exp(high))))
    for k in range(4):
        table[f"x{k}"] = x[:, k]
    return table.round(9)


# ---- peers


def refet_hours(table):
    when = pd.to_datetime(table.epoch, unit="s")
    columns = [table[name].to_numpy() for name in ("air", "rs", "wind", "elev", "lat", "lon", "vapour")]
    doy, start_h = when.dt.dayofyear.to_numpy(), when.dt.hour.to_numpy().astype(float)
    air, rs, wind, elev, lat, lon, vapour = columns

    def run():
        return refet.Hourly(tmean=air, ea=vapour, rs=rs * 0.0036, uz=wind, zw=2, elev=elev, lat=lat, lon=lon, doy=doy, time=start_h, method="asce").eto()

    return best(run)


def own_ratio(table):
    """Hours in which refet and we use the hour's own ratio: the sun stands above 0.3 rad at the start
    (refet's rule) and at the middle (ours), by a margin."""
    when = pd.to_datetime(table.epoch, unit="s")

    def elevation(at_h):
        doy = when.dt.dayofyear
        b = 2 * np.pi * (doy - 81) / 364
        season = 0.1645 * np.sin(2 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
        declination = 0.409 * np.sin(2 * np.pi * doy / 365 - 1.39)
        angle = np.pi / 12 * (at_h + table.lon / 15 + season - 12)
        lat = np.radians(table.lat)
        return np.arcsin(np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(angle))

    start_h = when.dt.hour + when.dt.minute / 60
    # days begin at mean solar midnight with us and at midnight UTC with refet: not the same day's sun
    # within the hours between, so that the day of the year must be the same for both
    solar_day = (when + pd.to_timedelta(table.lon / 15 + 0.5, unit="h")).dt.dayofyear
    same_day = solar_day == when.dt.dayofyear
    return ((elevation(start_h) > 0.31) & (elevation(start_h + 0.5) > 0.31) & same_day).to_numpy()


def pyfao56_hours(table):
    rows = table.head(SCALAR_ROWS)
    when = pd.to_datetime(rows.epoch, unit="s")
    doy, middle_h = when.dt.dayofyear.tolist(), (when.dt.hour + 0.5).tolist()
    cells = list(zip(rows.elev.tolist(), rows.lat.tolist(), rows.lon.tolist(), doy, middle_h, (rows.rs * 0.0036).tolist(), rows.air.tolist(), rows.vapour.tolist(), rows.wind.tolist()))

    def run():
        return [pyfao56.ascehourly("S", z, lat, -lon, 0.0, day, at, rs, air, vapr=vapour, wndsp=wind, csreq="S")[0] for z, lat, lon, day, at, rs, air, vapour, wind in cells]

    seconds, answer = best(run, 2)
    return seconds * len(table) / len(rows), np.array(answer)


def refet_days(table):
    columns = {name: table[name].to_numpy() for name in table}

    def run():
        c = columns
        return refet.Daily(tmin=c["low"], tmax=c["high"], ea=c["vapour"], rs=c["rs"], uz=c["wind"], zw=2, elev=c["elev"], lat=c["lat"], doy=c["doy"], method="asce").eto()

    return best(run)


def pyet_days(table, date):
    series = {name: pd.Series(table[name].to_numpy(), index=date) for name in table}

    def run():
        c = series
        mean = (c["low"] + c["high"]) / 2
        return pyet.pm_asce(mean, c["wind"], rs=c["rs"], tmax=c["high"], tmin=c["low"], ea=c["vapour"], elevation=PLACE[2], lat=np.radians(PLACE[0]))

    seconds, answer = best(run)
    return seconds, answer.to_numpy()


def pyfao56_days(table):
    rows = list(table.head(SCALAR_ROWS).itertuples(index=False))

    def run():
        return [pyfao56.ascedaily("S", r.elev, r.lat, r.doy, r.rs, r.high, r.low, vapr=r.vapour, wndsp=r.wind) for r in rows]

    seconds, answer = best(run, 2)
    return seconds * len(table) / len(rows), np.array(answer)


def lifelines_fit(table):
    frame = table.copy()
    frame["high"] = frame["high"].where(frame["high"] > 0, np.inf)

    def run():
        fitter = lifelines.LogNormalAFTFitter()
        fitter.fit_interval_censoring(frame, lower_bound_col="low", upper_bound_col="high")
        return fitter

    seconds, fitter = best(run, 3 if len(table) < 10_000 else 1)
    mean = fitter.params_["mu_"]
    return seconds, np.array([mean["Intercept"], *(mean[f"x{k}"] for k in range(4)), np.exp(fitter.params_["sigma_"]["Intercept"])])


# ---- the table


def equal(what, ours, theirs, within):
    apart = np.max(np.abs(ours - theirs))
    if not (apart <= within):
        sys.exit(f"{what}: answers differ by {apart:.3g}, more than {within:g}; times are not compared")
    return apart


def main():
    hourly, spread = hours(), stations()
    daily, date = days()
    fits = {f"draws_{n}": draws(n) for n in DRAWS}
    for name, table in {"hours": hourly, "stations": spread, "days": daily, **fits}.items():
        table.to_csv(FOLDER / f"{name}.csv", index=False)
    command = ["cargo", "run", "--release", "-q", "--example", "peers", "--", str(FOLDER)]
    pinned = ["taskset", "-c", "0", *command]
    told = subprocess.run(pinned, cwd=ROOT, check=True, capture_output=True, text=True).stdout
    seconds = json.loads(told)
    ours = lambda name: np.loadtxt(FOLDER / f"{name}_ours.csv")

    rows = []

    def row(task, size, name, theirs_s, ours_s, apart, goal):
        times = theirs_s / ours_s
        rows.append((task, size, name, theirs_s, ours_s, times, apart, goal, "" if goal is None else ("yes" if times >= goal else "NO")))

    for name, table, goal in (("hours", hourly, 10), ("stations", spread, 5)):
        mask, answers = own_ratio(table), ours(name)
        if mask.sum() < 0.2 * len(table):
            sys.exit(f"{name}: only {mask.sum()} of {len(table)} hours can be compared")
        theirs_s, theirs = refet_hours(table)
        apart = equal(f"{name} refet", answers[mask], theirs[mask], 2e-6)
        row(f"hourly ET, {name}", len(table), "refet", theirs_s, seconds[name], apart, goal)
        theirs_s, theirs = pyfao56_hours(table)
        first = mask[: len(theirs)]
        apart = equal(f"{name} pyfao56", answers[: len(theirs)][first], theirs[first], 2e-3)
        row(f"hourly ET, {name}", len(table), "pyfao56", theirs_s, seconds[name], apart, goal)
    answers = ours("days")
    for name, (theirs_s, theirs) in {"refet": refet_days(daily), "pyet": pyet_days(daily, date), "pyfao56": pyfao56_days(daily)}.items():
        apart = equal(f"days {name}", answers[: len(theirs)], theirs, 2e-3)
        row("daily ET", len(daily), name, theirs_s, seconds["days"], apart, None)
    for name, table in fits.items():
        theirs_s, theirs = lifelines_fit(table)
        apart = equal(f"{name} lifelines", ours(name), theirs, 1e-3)
        row("interval-censored fit", len(table), "lifelines", theirs_s, seconds[name], apart, 50)

    print(f"{'task':24}{'rows':>8}  {'peer':10}{'peer ns/row':>12}{'our ns/row':>12}{'times':>8}  {'apart':>8}  goal")
    for task, size, name, theirs_s, ours_s, times, apart, goal, met in rows:
        print(f"{task:24}{size:8}  {name:10}{1e9 * theirs_s / size:12.0f}{1e9 * ours_s / size:12.1f}{times:8.0f}  {apart:8.1e}  {'' if goal is None else f'{goal}x {met}'}")
    for name, table in (("hours", hourly), ("stations", spread)):
        for what, functions in (("floor", "an exponential, a cosine and a square root"), ("own floor", "an exponential and a square root")):
            floor = seconds[f"{name} {what}"]
            print(f"{name}: {functions} alone {1e9 * floor / len(table):.1f} ns a row, ours {seconds[name] / floor:.2f} times that (goal 2)")


main()
