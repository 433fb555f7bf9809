//! Random weather against other programs: refet, pyfao56, pyet, PsychroLib, pvlib.
#![allow(missing_docs)]

mod evapo_common;

use chrono::{DateTime, NaiveDate, Utc};
use evapo_common::*;
use xylocast::evapo::almanac::{Crossing, almanac};
use xylocast::evapo::asce::{self, Surface};
use xylocast::evapo::humidity::*;
use xylocast::evapo::radiation::*;
use xylocast::evapo::reference::*;
use xylocast::evapo::soil::*;
use xylocast::evapo::sun::*;
use xylocast::units::{Hours, Latitude, Megajoules, Radians};

/// The ratio that gives a cloudiness function back.
fn ratio_of(cloudiness: f64) -> RelativeShortwave {
    RelativeShortwave::new((cloudiness + 0.35) / 1.35).unwrap()
}

/// Within 1e-6 mm, or half a unit of the seventh digit, to which the table is printed.
#[track_caller]
fn same_depth(actual_mm: f64, expected_mm: f64, what: &str) {
    within(actual_mm, expected_mm, 1e-6_f64.max(5.1e-7 * expected_mm.abs()), what);
}

struct HourlyCase<'a> {
    row: &'a Row,
    site: Latitude,
    day: DayOfYear,
    angle: Radians,
    ra: Megajoules,
    received: Megajoules,
    clear: Megajoules,
    air: HourAir,
}

impl<'a> HourlyCase<'a> {
    fn of(row: &'a Row) -> Self {
        let (site, day) = (latitude(row.number("lat_deg")), day_of_year(row.number("doy")));
        let utc = Hours::new(row.number("hour_start_utc") + 0.5).unwrap();
        let angle = solar_time_angle(utc, longitude(row.number("lon_deg_east")), day);
        let hour = Hours::new(1.0).unwrap();
        let ra = hourly_extraterrestrial_radiation(site, day, angle, hour);
        let elevation = metres(row.number("elev_m"));
        let air = celsius(row.number("T_C"));
        let air = HourAir {
            air,
            vapour_pressure: vapour_pressure(air, percent(row.number("RH_pct"))),
            wind_2m: wind_at_2m(wind(row.number("uz_m_s")), metres(row.number("zw_m"))).unwrap(),
            pressure: atmospheric_pressure(elevation),
        };
        let received = mj(row.number("Rs_MJ_m2_h"));
        Self { row, site, day, angle, ra, received, clear: clear_sky(ra, elevation), air }
    }

    fn elevation(&self) -> f64 {
        sun_elevation(self.site, self.day, self.angle).value()
    }

    /// The full rule: own ratio under a high sun, else the one carried.
    fn ratio(&self) -> RelativeShortwave {
        let own =
            RelativeShortwave::of(Shortwave { received: self.received, clear_sky: self.clear });
        let carried = || ratio_of(self.row.number("fcd_carried"));
        own.filter(|_| self.elevation() >= 0.3).unwrap_or_else(carried)
    }

    fn asce(&self, ratio: RelativeShortwave) -> (Megajoules, f64, f64) {
        let HourAir { air, vapour_pressure, .. } = self.air;
        let rn = asce::net_radiation_of_hour(air, vapour_pressure, self.received, ratio);
        let [short, tall] = [Surface::Short, Surface::Tall]
            .map(|surface| asce::hourly_reference_et(self.air, rn, surface).value());
        (rn, short, tall)
    }

    fn fao56(&self, light: Light) -> (f64, f64) {
        let HourAir { air, vapour_pressure, .. } = self.air;
        let longwave = net_longwave_of_hour(air, vapour_pressure, self.ratio());
        let net_radiation =
            net_radiation(Balance { shortwave: net_shortwave(self.received), longwave });
        let soil_heat = soil_heat_of_hour(net_radiation, light);
        let et = hourly_reference_et(self.air, Energy { net_radiation, soil_heat });
        (net_radiation.value(), et.value())
    }
}

#[test]
fn hours_against_refet() {
    let rows = table("oracle_hourly.csv");
    assert_eq!(rows.len(), 300);
    let mut white_nights = 0;
    for row in &rows {
        let case = HourlyCase::of(row);
        let what = row.text("id");
        let (rn, short, tall) = case.asce(ratio_of(row.number("refet_fcd")));
        let es = saturation_vapour_pressure(case.air.air);
        let gamma = psychrometric_constant(case.air.pressure);
        let vpd = vapour_pressure_deficit(case.air.air, case.air.vapour_pressure);
        let slope = asce::slope_of_saturation_curve(case.air.air);
        for (column, value) in [
            ("refet_es_kPa", es.value()),
            ("refet_ea_kPa", case.air.vapour_pressure.value()),
            ("refet_vpd_kPa", vpd.value()),
            ("refet_slope_kPa_C", slope.value()),
            ("refet_P_kPa", case.air.pressure.value()),
            ("refet_gamma_kPa_C", gamma.value()),
            ("refet_Rnl_MJ", net_shortwave(case.received).value() - rn.value()),
            ("refet_Rn_MJ", rn.value()),
            ("refet_u2_m_s", case.air.wind_2m.value()),
        ] {
            within(value, row.number(column), 1e-6 * row.number(column).abs().max(0.1), what);
        }
        within(short, row.number("refet_ETos_mm"), 1e-6, what);
        within(tall, row.number("refet_ETrs_mm"), 1e-6, what);
        // refet clamps the two angles once and so loses an end of an hour at solar midnight
        if case.angle.value().abs() + std::f64::consts::PI / 24.0 > std::f64::consts::PI
            && case.ra.value() > row.number("refet_Ra_MJ") + 1e-6
        {
            white_nights += 1;
            continue;
        }
        relative(case.ra.value(), row.number("refet_Ra_MJ"), 1e-6, what);
        relative(case.clear.value(), row.number("refet_Rso_MJ"), 1e-6, what);
    }
    assert!(white_nights <= 3, "{white_nights} hours excused");
}

#[test]
fn hours_against_pyfao56_and_plain_formulas() {
    let mut by_pyfao56 = 0;
    let mut agreeing = 0;
    for row in &table("oracle_hourly.csv") {
        let case = HourlyCase::of(row);
        let what = row.text("id");
        within(case.angle.value(), row.number("own_omega_mid_rad"), 1e-6, what);
        within(case.elevation(), row.number("own_sun_elev_mid_rad"), 1e-6, what);
        within(case.ratio().cloudiness(), row.number("own_fcd_carry"), 1e-6, what);
        let (rn, short, _) = case.asce(case.ratio());
        within(rn.value(), row.number("own_Rn_asce_MJ"), 1e-6, what);
        within(short, row.number("own_ETos_asce_carry_mm"), 1e-6, what);
        if let Some(other) = row.given("pyfao56_ETos_mm") {
            by_pyfao56 += 1;
            within(short, other, 1e-6, what);
            within(case.ratio().cloudiness(), row.number("pyfao56_fcd"), 1e-6, what);
        }
        let up = case.elevation() > 0.0;
        assert_eq!(up, row.text("own_daylight") == "1", "{what}");
        let (rn_fao, et_fao) = case.fao56(if up { Light::Day } else { Light::Night });
        within(rn_fao, row.number("own_Rn_fao56_MJ"), 1e-6, what);
        within(et_fao, row.number("own_ET0_fao56_mm"), 1e-6, what);
        agreeing += i32::from((rn.value() < 0.0) != up);
    }
    assert!(by_pyfao56 > 250, "only {by_pyfao56} rows of pyfao56");
    assert_eq!(agreeing, 282);
}

#[test]
fn hours_against_other_physics() {
    for row in &table("oracle_hourly.csv") {
        let case = HourlyCase::of(row);
        let what = row.text("id");
        if let Some(other) = row.given("psychrolib_es_kPa") {
            let es = saturation_vapour_pressure(case.air.air).value();
            within(es, other, 0.0012 * other, what);
            let vpd = vapour_pressure_deficit(case.air.air, case.air.vapour_pressure).value();
            let other = row.number("psychrolib_vpd_kPa");
            within(vpd, other, 0.0012 * other + 1e-9, what);
        }
        within(case.ra.value(), row.number("pvlib_Ra_MJ"), 0.15, what);
        let degrees = case.elevation().to_degrees();
        within(degrees, row.number("pvlib_sun_elev_mid_deg"), 1.4, what);
    }
}

#[test]
fn days_against_refet_pyfao56_and_pyet() {
    let rows = table("oracle_daily.csv");
    assert_eq!(rows.len(), 300);
    let (mut by_pyfao56, mut by_pyet) = (0, 0);
    for row in &rows {
        let what = row.text("id");
        let (site, doy) = (latitude(row.number("lat_deg")), day_of_year(row.number("doy")));
        let elevation = metres(row.number("elev_m"));
        let temperature = temperatures(row.number("Tmin_C"), row.number("Tmax_C"));
        let humidity = humidities(row.number("RHmin_pct"), row.number("RHmax_pct"));
        let day = DayAir {
            temperature,
            vapour_pressure: vapour_pressure_of_day(temperature, humidity),
            wind_2m: wind_at_2m(wind(row.number("uz_m_s")), metres(row.number("zw_m"))).unwrap(),
            pressure: atmospheric_pressure(elevation),
        };
        let ra = extraterrestrial_radiation(site, doy);
        let received = mj(row.number("Rs_MJ_m2_d"));
        let shortwave = Shortwave { received, clear_sky: clear_sky(ra, elevation) };
        let ratio = RelativeShortwave::of(shortwave).unwrap_or(RelativeShortwave::CLEAR);
        let rn = asce::net_radiation_of_day(temperature, day.vapour_pressure, shortwave);
        let [short, tall] = [Surface::Short, Surface::Tall]
            .map(|surface| asce::daily_reference_et(day, rn, surface).value());
        let vpd = vapour_pressure_deficit_of_day(temperature, day.vapour_pressure);
        for (column, value) in [
            ("refet_es_kPa", mean_saturation_vapour_pressure(temperature).value()),
            ("refet_ea_kPa", day.vapour_pressure.value()),
            ("refet_vpd_kPa", vpd.value()),
            ("refet_slope_kPa_C", asce::slope_of_saturation_curve(temperature.mean()).value()),
            ("refet_P_kPa", day.pressure.value()),
            ("refet_gamma_kPa_C", psychrometric_constant(day.pressure).value()),
            ("refet_Ra_MJ", ra.value()),
            ("refet_Rso_MJ", shortwave.clear_sky.value()),
            ("refet_fcd", ratio.cloudiness()),
            ("refet_Rnl_MJ", net_shortwave(received).value() - rn.value()),
            ("refet_Rn_MJ", rn.value()),
            ("refet_u2_m_s", day.wind_2m.value()),
        ] {
            if let Some(other) = row.given(column) {
                within(value, other, 1e-6 * other.abs().max(0.1), &format!("{what} {column}"));
            }
        }
        same_depth(short, row.number("refet_ETos_mm"), what);
        same_depth(tall, row.number("refet_ETrs_mm"), what);
        if let Some(other) = row.given("pyfao56_ETos_mm") {
            by_pyfao56 += 1;
            same_depth(short, other, what);
        }
        let longwave = net_longwave_of_day(temperature, day.vapour_pressure, ratio);
        let net_radiation = net_radiation(Balance { shortwave: net_shortwave(received), longwave });
        let soil_heat = soil_heat_of_day();
        let et = daily_reference_et(day, Energy { net_radiation, soil_heat }).value();
        same_depth(et, row.number("own_ET0_fao56_mm"), what);
        if let Some(other) = row.given("pyet_ET0_fao56_mm") {
            by_pyet += 1;
            same_depth(et, other, what);
        }
        within(daylight_hours(site, doy).value(), row.number("own_N_h"), 1e-5, what);
        let bound = if site.value().abs() < 60.0 { 1.3 } else { 2.1 };
        within(ra.value(), row.number("pvlib_Ra_MJ"), bound, what);
    }
    assert!(by_pyfao56 > 250 && by_pyet > 250, "{by_pyfao56} and {by_pyet} rows compared");
}

/// A zone of whole hours, as the table was made with.
fn zone(offset_h: i32) -> chrono_tz::Tz {
    // the sign of these names is the wrong way round by design
    match offset_h {
        0 => chrono_tz::UTC,
        _ => format!("Etc/GMT{:+}", -offset_h).parse().unwrap(),
    }
}

#[test]
fn sunrise_and_sunset_against_pvlib() {
    let mut compared = 0;
    for row in &table("oracle_daily.csv") {
        let what = row.text("id");
        let site = place(row.number("lat_deg"), row.number("lon_deg_east"), row.number("elev_m"));
        let date: NaiveDate = row.text("date_local").parse().unwrap();
        let sky = almanac(site, date, zone(row.number("utc_offset_h") as i32)).unwrap();
        let steep = site.latitude.value().abs() <= 66.0;
        let (sunrise, sunset) = (row.text("pvlib_sunrise_utc"), row.text("pvlib_sunset_utc"));
        if sunrise.is_empty() {
            let polar = matches!(sky.sun, Crossing::AlwaysAbove | Crossing::AlwaysBelow);
            assert!(!steep && polar, "{what}: {:?}", sky.sun);
            continue;
        }
        let tolerance_s = if steep { 60 } else { 180 };
        let Crossing::UpAndDown { rise, set } = sky.sun else {
            panic!("{what}: {:?} where pvlib has {sunrise} and {sunset}", sky.sun)
        };
        for (ours, theirs) in [(rise, sunrise), (set, sunset)] {
            let theirs: DateTime<Utc> = theirs.parse().unwrap();
            let apart = (ours.with_timezone(&Utc) - theirs).num_seconds().abs();
            assert!(apart <= tolerance_s, "{what}: {ours} and {theirs} are {apart} s apart");
        }
        assert_eq!(sky.noon.date_naive(), date, "{what}");
        assert!(rise < sky.noon && sky.noon < set, "{what}");
        if let Some(dusk) = sky.civil.set() {
            assert!(dusk > set, "{what}: dusk {dusk} before sunset {set}");
        } else {
            // the sun stays within 6 degrees of the horizon all night from 60.5 degrees on
            let white = site.latitude.value().abs() > 60.5;
            assert!(white && sky.civil == Crossing::AlwaysAbove, "{what}: {:?}", sky.civil);
        }
        if let Some(dawn) = sky.civil.rise() {
            assert!(dawn < rise, "{what}: dawn {dawn} after sunrise {rise}");
        }
        compared += 1;
    }
    assert!(compared >= 270, "only {compared} days compared");
}

#[test]
fn a_sunset_after_midnight_belongs_to_its_evening() {
    let fairbanks = place(64.84, -147.72, 136.0);
    let on: NaiveDate = "2026-06-21".parse().unwrap();
    let sky = almanac(fairbanks, on, chrono_tz::America::Anchorage).unwrap();
    let (rise, set) = (sky.sun.rise().unwrap(), sky.sun.set().unwrap());
    assert_eq!((rise.date_naive(), set.date_naive()), (on, on.succ_opt().unwrap()));
    assert_eq!(sky.civil, Crossing::AlwaysAbove);
    let winter = almanac(place(78.2, 15.6, 0.0), "2026-12-21".parse().unwrap(), chrono_tz::UTC);
    assert_eq!(winter.unwrap().civil, Crossing::AlwaysBelow);
}
