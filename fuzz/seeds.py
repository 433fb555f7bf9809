"""Seeds of the fuzz targets, from the invented answers of tests/services and the demo grove.

    python3 fuzz/seeds.py

Writes fuzz/corpus/TARGET/*, which is not committed; run before `cargo fuzz run TARGET`.
"""

from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
CORPUS = ROOT / "fuzz" / "corpus"
SERVICES = ROOT / "tests" / "services"
# places in READERS of src/lib.rs
READERS = {
    "open_meteo_half_hour.json": [0, 2], "open_meteo_odd.json": [0], "open_meteo_ensemble.json": [0],
    "open_meteo_places.json": [1], "met_norway_compact.json": [4], "bright_sky.json": [5],
    "nws_gridpoint.json": [8], "nws_observations.json": [9], "asos_reports.csv": [10],
    "logger_10min.csv": [3, 15, 16],
}
FILES = ["grove.toml", "trees.csv", "blocks.csv", "draws.csv", "readings.csv", "pauses.csv", "hang.csv", "ports.csv", "kits.csv", "applications.csv"]
LARGEST = 4096


def write(target, name, which, content):
    folder = CORPUS / target
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(bytes([which]) + content[:LARGEST])


for name, places in READERS.items():
    for place in places:
        write("weather", f"{place}-{name}", place, (SERVICES / name).read_bytes())
demo = next(path.parent for path in (ROOT / "data").rglob("grove.toml"))
for place, name in enumerate(FILES):
    if (demo / name).exists():
        write("grove_files", name, place, (demo / name).read_bytes())
model = CORPUS / "model_file"
model.mkdir(parents=True, exist_ok=True)
(model / "prior.json").write_bytes((ROOT / "models" / "prior.json").read_bytes())
BODIES = [
    (0, b'{"key":"k","at":"10:00","act":{"kind":"start","tree_id":"E01","charge_ml":1000}}'),
    (0, b'{"act":{"kind":"left","on":"E05","left_ml":200}}'),
    (1, b'[{"key":"a","at":"2026-01-01T10:00:00+10:30","kind":"wet","on":"E05","ml":""}]'),
    (2, b"on=E05&kind=left&ml=200&unit=mL&key=k&form=look"),
    (3, b"name=Home&time_zone=Australia%2FAdelaide&latitude_deg=-34&longitude_deg=138&elevation_m=10"),
    (4, b'--x\r\nContent-Disposition: form-data; name="files"; filename="trees.csv"\r\n\r\ntree_id,block\r\n--x--\r\n'),
    (5, b'--x\r\nContent-Disposition: form-data; name="files"; filename="draws.csv"\r\n\r\ndraw_id,tree_id\r\n--x--\r\n'),
    (6, b"tree_id=Z1&block=A&circumference_cm=90"),
    (7, b"name=a&password=b"),
    (8, b"units=us"),
]
for place, (which, body) in enumerate(BODIES):
    write("api_bodies", f"{place}", which, body)
