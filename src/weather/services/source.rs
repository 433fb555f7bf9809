//! The sources by name, and the credit that each is owed wherever its data are shown.

use std::fmt;

/// A source of weather.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    /// Open-Meteo: global, hourly radiation, archive, ensembles.
    OpenMeteo,
    /// MET Norway Locationforecast 2.0: global, no radiation, no past.
    MetNorway,
    /// US National Weather Service: gridpoints and station reports.
    Nws,
    /// DWD through Bright Sky: observations of Germany, forecasts sparse world-wide.
    BrightSky,
    /// DWD's own table of a station.
    DwdPoi,
    /// NOAA GHCN-hourly.
    GhcnHourly,
    /// NOAA SURFRAD.
    Surfrad,
    /// NREL typical meteorological year 3.
    Tmy3,
    /// Airport reports from an archive of METARs.
    Asos,
    /// The user's own logger.
    Station,
}

/// What is owed to a source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Attribution {
    /// Who gives the data.
    pub name: &'static str,
    /// Licence of the data.
    pub licence: &'static str,
    /// Text to show beside the data.
    pub text: &'static str,
    /// Where the text links to; empty where there is nothing to link.
    pub link: &'static str,
    /// Terms that a user who chooses this source must know; empty where there are none.
    pub terms: &'static str,
}

impl Source {
    /// All of them.
    pub const ALL: [Source; 10] = [
        Source::OpenMeteo,
        Source::MetNorway,
        Source::Nws,
        Source::BrightSky,
        Source::DwdPoi,
        Source::GhcnHourly,
        Source::Surfrad,
        Source::Tmy3,
        Source::Asos,
        Source::Station,
    ];

    /// Its name in settings and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Source::OpenMeteo => "open-meteo",
            Source::MetNorway => "met-norway",
            Source::Nws => "nws",
            Source::BrightSky => "bright-sky",
            Source::DwdPoi => "dwd-poi",
            Source::GhcnHourly => "ghcn-hourly",
            Source::Surfrad => "surfrad",
            Source::Tmy3 => "tmy3",
            Source::Asos => "asos",
            Source::Station => "station",
        }
    }

    /// The source of this name.
    pub fn named(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|source| source.key() == key)
    }

    /// What it is owed.
    pub fn attribution(self) -> Attribution {
        match self {
            Source::OpenMeteo => OPEN_METEO,
            Source::MetNorway => MET_NORWAY,
            Source::Nws => NWS,
            Source::BrightSky | Source::DwdPoi => DWD,
            Source::GhcnHourly | Source::Surfrad => NOAA,
            Source::Tmy3 => NREL,
            Source::Asos => ASOS,
            Source::Station => STATION,
        }
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

const OPEN_METEO: Attribution = Attribution {
    name: "Open-Meteo",
    licence: "CC BY 4.0 (CC BY-SA where UK Met Office data are used)",
    text: "Weather data by Open-Meteo.com; its archive contains modified Copernicus information",
    link: "https://open-meteo.com/",
    terms: "its free hosts are for non-commercial use only; others need a key and host of their own",
};

const MET_NORWAY: Attribution = Attribution {
    name: "MET Norway",
    licence: "CC BY 4.0 / NLOD 2.0",
    text: "Weather forecast by MET Norway",
    link: "https://api.met.no/",
    terms: "the settings must name a contact, which is sent with every request",
};

const NWS: Attribution = Attribution {
    name: "US National Weather Service",
    licence: "public domain",
    text: "Weather data by the US National Weather Service",
    link: "https://www.weather.gov/",
    terms: "the United States only; the settings must name a contact, sent with every request",
};

const DWD: Attribution = Attribution {
    name: "Deutscher Wetterdienst",
    licence: "free with source note (GeoNutzV)",
    text: "Source: Deutscher Wetterdienst; radiation and wind converted",
    link: "https://www.dwd.de/",
    terms: "",
};

const NOAA: Attribution = Attribution {
    name: "NOAA",
    licence: "public domain",
    text: "Weather data by NOAA",
    link: "https://www.noaa.gov/",
    terms: "",
};

const NREL: Attribution = Attribution {
    name: "NREL",
    licence: "public",
    text: "Typical meteorological year by NREL",
    link: "https://www.nrel.gov/",
    terms: "a year put together from months of different years: for trials, never for a real day",
};

const ASOS: Attribution = Attribution {
    name: "Airport reports (ASOS)",
    licence: "public domain",
    text: "Airport reports collected by the Iowa Environmental Mesonet",
    link: "https://mesonet.agron.iastate.edu/",
    terms: "",
};

const STATION: Attribution = Attribution {
    name: "Own station",
    licence: "the user's own",
    text: "Measured by the grove's own station",
    link: "",
    terms: "",
};
