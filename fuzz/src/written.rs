//! Hours as a weather file has them.

use xylocast::weather::parse::RawHour;

/// The hours as rows of `weather/observed.csv`, all that they tell.
pub fn weather_file(hours: &[RawHour]) -> String {
    let mut text = "hour_ending,air_temp_c,air_temp_instant_c,rel_humidity_pct,\
                    dew_point_c,vapour_pressure_kpa,wind_m_s,shortwave_w_m2,rain_mm,pressure_kpa,\
                    soil_water_m3_m3,cloud_cover_pct\n"
        .to_owned();
    for hour in hours {
        let cells = [
            hour.air.map(|it| it.value()),
            hour.air_at_end.map(|it| it.value()),
            hour.rel_humidity.map(|it| it.value()),
            hour.dew_point.map(|it| it.value()),
            hour.vapour_pressure.map(|it| it.value()),
            hour.wind.map(|it| it.value()),
            hour.shortwave.map(|it| it.value()),
            hour.rain.map(|it| it.value()),
            hour.pressure.map(|it| it.value()),
            hour.soil_water_m3_m3,
            hour.cloud_cover.map(|it| it.value()),
        ];
        let cells = cells.map(|cell| cell.map_or_else(String::new, |value| value.to_string()));
        text += &format!("{},{}\n", hour.span.to.to_rfc3339(), cells.join(","));
    }
    text
}
