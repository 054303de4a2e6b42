"""Weather: the described day, the station's table, the seeded series. All weather here is invented."""

import numpy as np
import pytest

from riskmodel.physics.limits import LimitError
from riskmodel.physics.weather import Day, HourlyWeather, WeatherError, read_hourly_weather, synthetic_weather

HEADER = "time,air_c,wind_m_s,humidity_percent,sun_w_m2"


def table(tmp_path, *rows, header=HEADER, name="station.csv"):
    path = tmp_path / name
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    return path


def series(hours=48, **values):
    clock = np.arange(hours, dtype=float)
    fields = {"temperature": 20.0, "wind_speed": 3.0, "humidity": 0.5, "sun": 0.0} | values
    return HourlyWeather(hours=clock, **{k: np.broadcast_to(v, clock.shape) for k, v in fields.items()})


# -- the described day --
def test_day_has_its_mean_its_swing_and_its_noon():
    day = Day(mean=20, half_swing=8, noon_sun=900)
    clock = np.arange(0, 24, 0.25)
    air = day.at(clock)
    assert air.temperature.mean() == pytest.approx(20)
    assert (clock[air.temperature.argmax()], air.temperature.max()) == (15, pytest.approx(28))
    assert (clock[air.sun.argmax()], air.sun.max()) == (12, pytest.approx(900))
    assert air.sun[(clock < 6) | (clock > 18)].max() == pytest.approx(0, abs=1e-9)
    # identity: a half sine holds 2/pi of its peak over the 12 h of light
    assert air.sun.sum() * 0.25 == pytest.approx(900 * 12 * 2 / np.pi, rel=1e-3)


def test_day_repeats():
    day = Day(mean=20)
    for first, second in zip(day.at(np.array([9.0])), day.at(np.array([33.0])), strict=True):
        np.testing.assert_allclose(first, second)


def test_day_of_samples():
    day = Day(mean=np.array([[10.0], [20.0]]), wind_speed=np.array([1.0, 2.0, 3.0]))
    assert day.shape == (2, 3)
    part = day.samples((2, 3), slice(2, 5))
    np.testing.assert_array_equal(part.mean, [10, 20, 20])
    np.testing.assert_array_equal(part.wind_speed, [3, 1, 2])
    assert np.shape(part.humidity) == (1,)


# -- the series --
def test_series_interpolates():
    weather = series(3, temperature=[10, 14, 12])
    np.testing.assert_allclose(weather.at(np.array([0.0, 0.5, 1.75])).temperature, [10, 12, 12.5])
    assert weather.mean_temperature == 12
    assert weather.shape == ()


def test_series_from_a_later_day():
    weather = series(72, temperature=np.arange(72) / 2)
    later = weather.from_day(2)
    np.testing.assert_allclose(later.at(np.array([0.0, 9.0])).temperature, [24, 28.5])
    with pytest.raises(LimitError, match=r"`day`.*Choose a day of the series"):
        weather.from_day(4)


def test_series_ends_with_a_message():
    with pytest.raises(LimitError, match=r"`clock` must lie between 0 and 47 h.*look at fewer hours"):
        series(48).at(np.array([50.0]))


# -- the seeded series --
def test_synthetic_weather_repeats_with_its_seed():
    day = Day(mean=20)
    first, second, other = (synthetic_weather(day, np.random.default_rng(seed)) for seed in (7, 7, 8))
    np.testing.assert_array_equal(first.temperature, second.temperature)
    np.testing.assert_array_equal(first.wind_speed, second.wind_speed)
    assert not np.array_equal(first.temperature, other.temperature)


def test_synthetic_weather_has_the_stated_spread():
    day, persistence, hours = Day(mean=20, wind_speed=4.0), 0.6, 2000
    weather = synthetic_weather(
        day, np.random.default_rng(3), hours=hours, temperature_sd=2.0, wind_cv=0.3, persistence=persistence
    )
    noise = weather.temperature - day.at(np.arange(hours, dtype=float)).temperature
    # n_eff of an autoregressive series: n (1 - rho)/(1 + rho) for the mean, n (1 - rho^2)/(1 + rho^2) for the variance
    mean_se = 2.0 / np.sqrt(hours * (1 - persistence) / (1 + persistence))
    variance_se = 4.0 * np.sqrt(2 / (hours * (1 - persistence**2) / (1 + persistence**2)))
    assert abs(noise.mean()) < 4 * mean_se
    assert abs(noise.var() - 4.0) < 4 * variance_se
    assert np.corrcoef(noise[:-1], noise[1:])[0, 1] == pytest.approx(persistence, abs=4 * 0.8 / np.sqrt(hours))
    wind = np.asarray(weather.wind_speed)
    assert wind.mean() == pytest.approx(4.0, abs=4 * 1.2 / np.sqrt(hours * (1 - persistence) / (1 + persistence)))
    assert wind.min() > 0


def test_synthetic_weather_without_noise_is_the_day():
    day = Day(mean=20)
    weather = synthetic_weather(day, np.random.default_rng(1), hours=30, temperature_sd=0, wind_cv=0)
    air = day.at(np.arange(30, dtype=float))
    np.testing.assert_allclose(weather.temperature, air.temperature)
    np.testing.assert_allclose(weather.wind_speed, 3.0)


# -- the station's table --
def test_reads_a_table(tmp_path):
    path = table(tmp_path, "2031-07-14T09:00,20,3.0,50,400", "2031-07-14T10:00,22,4.0,45,500", "")
    weather = read_hourly_weather(path)
    np.testing.assert_allclose(weather.hours, [9, 10])
    np.testing.assert_allclose(weather.humidity, [0.5, 0.45])
    np.testing.assert_allclose(weather.sun, [400, 500])


def test_reads_us_units(tmp_path):
    header = "sun_w_m2,wind_mph,air_f,humidity_percent,time"
    path = table(tmp_path, "0,10,50,80,2031-07-14T00:00", "0,20,68,80,2031-07-14T01:00", header=header)
    weather = read_hourly_weather(path)
    np.testing.assert_allclose(weather.temperature, [10, 20])
    np.testing.assert_allclose(weather.wind_speed, [4.4704, 8.9408])


def test_reads_kilometres_an_hour(tmp_path):
    header = HEADER.replace("wind_m_s", "wind_km_h")
    path = table(tmp_path, "2031-07-14T00:00,10,36,80,0", "2031-07-14T01:00,10,18,80,0", header=header)
    np.testing.assert_allclose(read_hourly_weather(path).wind_speed, [10, 5])


def test_all_faults_of_a_table_at_once(tmp_path):
    path = table(
        tmp_path,
        "2031-07-14T09:00,20,3,50,400",
        "2031-07-14 10:00Z,20,3,50,400",
        "2031-07-14T11:00,abc,3,50,400",
        "2031-07-14T17:00,20,3,150,400",
        "2031-07-14T16:00,20,,50,400",
        "2031-07-14T18:00,20,3,50",
        "2031-07-14T19:00,1_0,3,50,nan",
    )
    with pytest.raises(WeatherError) as caught:
        read_hourly_weather(path)
    lines = str(caught.value).splitlines()
    places = [(fault.row, fault.column) for fault in caught.value.faults]
    assert places == [
        (3, "time"), (4, "air_c"), (5, "time"), (5, "humidity_percent"), (6, "time"), (6, "wind_m_s"), (7, ""),
        (8, "air_c"), (8, "sun_w_m2"),
    ]  # fmt: skip
    assert lines[0].startswith("station.csv, row 3, `time`: the time must be local and in ISO 8601")
    assert "at most 3 h" in lines[2]
    assert "got 'nothing'" in lines[5]
    assert lines[6].startswith("station.csv, row 7: 5 cells are needed; got '4'")


@pytest.mark.parametrize(
    ("header", "message"),
    [
        (HEADER.replace("time,", ""), "`time`: the column is missing"),
        (HEADER + ",rain", "`rain`: the column is unknown"),
        (HEADER + ",air_f", r"one column of air_c, air_f is needed; got 'air_c, air_f'"),
        (HEADER.replace(",sun_w_m2", ""), "one column of sun_w_m2 is needed"),
        (HEADER + ",air_c", "a column stands twice"),
    ],
)
def test_faults_of_the_header(tmp_path, header, message):
    with pytest.raises(WeatherError, match=message):
        read_hourly_weather(table(tmp_path, "x", "y", header=header))


def test_faults_of_the_file(tmp_path):
    with pytest.raises(WeatherError, match=r"station.csv: two to 20000 rows are needed; got '1'"):
        read_hourly_weather(table(tmp_path, "2031-07-14T09:00,20,3,50,400"))
    with pytest.raises(WeatherError, match=r"none.csv: the file must be a readable CSV"):
        read_hourly_weather(tmp_path / "none.csv")
    (tmp_path / "binary.csv").write_bytes(b"\xff\xfe\x00time")
    with pytest.raises(WeatherError, match="readable CSV"):
        read_hourly_weather(tmp_path / "binary.csv")


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Day(mean=80), "`mean` must lie between -25 and 45 degC; got 80"),
        (lambda: Day(mean=20, half_swing=30), "`half_swing`"),
        (lambda: Day(mean=20, humidity=50), "`humidity` must lie between 0 and 1; got 50. Give relative humidity"),
        (lambda: Day(mean=20, wind_speed=-1), "`wind_speed`"),
        (lambda: Day(mean=20, noon_sun=5000), "`noon_sun`"),
        (lambda: Day(mean=20, sunrise=18, sunset=6), "`sunrise`"),
        (lambda: series(3, temperature=[1, np.nan, 2]), "`temperature` .* got nan"),
        (lambda: series(1), "rows of one length, two at least"),
        (
            lambda: HourlyWeather(hours=[0, 9], temperature=[1, 1], wind_speed=[1, 1], humidity=[0, 0], sun=[0, 0]),
            "steps of `hours`.*Fill the gap",
        ),
        (lambda: synthetic_weather(Day(mean=[1, 2]), np.random.default_rng(0)), r"samples of shape \(2,\)"),
        (lambda: synthetic_weather(Day(mean=1), np.random.default_rng(0), persistence=1), "`persistence`"),
        (lambda: synthetic_weather(Day(mean=1), np.random.default_rng(0), temperature_sd=-1), "`temperature_sd`"),
    ],
)
def test_messages(call, message):
    with pytest.raises(LimitError, match=message):
        call()
