//! How often a log-in may be tried: by address, so that one machine cannot try many names, and by
//! name, so that many machines cannot try one. Each is a bucket that fills again slowly. The figures
//! are common practice, no source.

use governor::clock::{Clock, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use std::hash::Hash;
use std::net::IpAddr;
use std::num::NonZeroU32;
use std::time::Duration;

/// Keys beyond which those that are full again are forgotten.
const MANY: usize = 2_048;

/// What has been tried lately.
#[derive(Debug)]
pub(super) struct Limits {
    by_address: DefaultKeyedRateLimiter<IpAddr>,
    by_name: DefaultKeyedRateLimiter<String>,
    clock: DefaultClock,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            by_address: RateLimiter::keyed(quota(20, Duration::from_secs(3))),
            by_name: RateLimiter::keyed(quota(6, Duration::from_secs(20))),
            clock: DefaultClock::default(),
        }
    }
}

/// So many at once, then one every so often.
fn quota(burst: u32, every: Duration) -> Quota {
    let burst = NonZeroU32::new(burst).unwrap_or(NonZeroU32::MIN);
    Quota::with_period(every).unwrap_or(Quota::per_minute(NonZeroU32::MIN)).allow_burst(burst)
}

impl Limits {
    /// Takes a try.
    ///
    /// # Errors
    /// The seconds to wait before the next one.
    pub(super) fn take(&self, address: IpAddr, name: &str) -> Result<(), u64> {
        self.tried(&self.by_address, &block(address))?;
        let name: String = name.trim().to_lowercase().chars().take(64).collect();
        self.tried(&self.by_name, &name)
    }

    fn tried<K: Clone + Hash + Eq>(
        &self,
        limiter: &DefaultKeyedRateLimiter<K>,
        key: &K,
    ) -> Result<(), u64> {
        if limiter.len() > MANY {
            limiter.retain_recent();
        }
        limiter.check_key(key).map_err(|later| {
            let wait = later.wait_time_from(self.clock.now());
            wait.as_secs() + u64::from(wait.subsec_nanos() > 0)
        })
    }
}

/// One household has 2^64 addresses of IPv6.
fn block(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(address) => {
            let block = u128::from(address) & !u128::from(u64::MAX);
            IpAddr::V6(block.into())
        }
        address => address,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_tries_have_to_wait() {
        let limits = Limits::default();
        let address = |last: u8| IpAddr::from([192, 0, 2, last]);
        // One name, from many addresses.
        let tries: Vec<bool> =
            (0..8).map(|last| limits.take(address(last), "Ada").is_ok()).collect();
        assert_eq!(tries, [true, true, true, true, true, true, false, false]);
        let wait = limits.take(address(9), " ADA ").unwrap_err();
        assert!((1..=20).contains(&wait), "{wait}");
        limits.take(address(9), "Bo").unwrap();
        // Many names, from one address.
        let limits = Limits::default();
        let names = (0..22).map(|name| limits.take(address(1), &name.to_string()).is_ok());
        assert_eq!(names.filter(|is_let| *is_let).count(), 20);
        limits.take(address(2), "21").unwrap();
    }

    #[test]
    fn a_block_of_ipv6_is_one_address() {
        let block_of = |text: &str| block(text.parse().unwrap());
        assert_eq!(block_of("2001:db8:1:2:3::4"), block_of("2001:db8:1:2:ffff::"));
        assert_ne!(block_of("2001:db8:1:2::"), block_of("2001:db8:1:3::"));
        assert_eq!(block_of("::ffff:192.0.2.1"), block_of("192.0.2.1"));
    }
}
