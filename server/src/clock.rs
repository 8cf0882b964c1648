//! Time and identity as values, so that tests can set them.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::{SystemTime, UNIX_EPOCH};

use uuid::Uuid;

/// What time it is: microseconds since 1970-01-01 UTC.
#[derive(Clone, Debug, Default)]
pub enum Clock {
    /// The machine's.
    #[default]
    System,
    /// Stands where it is set.
    Set(Arc<AtomicI64>),
}

impl Clock {
    /// A clock that stands at `us` until it is moved.
    pub fn set_at(us: i64) -> Self {
        Clock::Set(Arc::new(AtomicI64::new(us)))
    }

    /// Moves a set clock on; the system's stays as it is.
    pub fn advance_us(&self, us: i64) {
        if let Clock::Set(at) = self {
            at.fetch_add(us, Ordering::SeqCst);
        }
    }

    /// Microseconds since 1970-01-01 UTC; negative before.
    pub fn now_us(&self) -> i64 {
        match self {
            Clock::System => match SystemTime::now().duration_since(UNIX_EPOCH) {
                Ok(after) => i64::try_from(after.as_micros()).unwrap_or(i64::MAX),
                Err(before) => i64::try_from(before.duration().as_micros()).map_or(i64::MIN, |us| -us),
            },
            Clock::Set(at) => at.load(Ordering::SeqCst),
        }
    }
}

/// Gives new ids. They identify and never order: the store counts for itself.
#[derive(Clone, Debug, Default)]
pub enum Ids {
    /// UUID version 7.
    #[default]
    Random,
    /// UUIDs that count up from 1.
    Counted(Arc<AtomicU64>),
}

impl Ids {
    /// Ids that count up from 1.
    pub fn counted() -> Self {
        Ids::Counted(Arc::new(AtomicU64::new(0)))
    }

    /// A new id: a lower-case hyphenated UUID.
    pub fn next(&self) -> String {
        match self {
            Ids::Random => Uuid::now_v7().to_string(),
            Ids::Counted(count) => {
                Uuid::from_u128(u128::from(count.fetch_add(1, Ordering::SeqCst) + 1)).to_string()
            }
        }
    }
}
