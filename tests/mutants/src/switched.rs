//! Which mutant runs. In the copy of core only; core itself reads no environment.
//!
//! `MUTANT=17` runs the seventeenth; `MUTANT=trace` changes nothing and writes to the file `MUTANT_TRACE` which mutants
//! were reached, four bytes each; the highest bit is set where the mutant told something else than the program.

use std::io::Write;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU8, AtomicU32, Ordering::Relaxed};

const UNREAD: u32 = u32::MAX;
const TRACE: u32 = u32::MAX - 1;
const NONE: u32 = u32::MAX - 2;
const DIFFERS: u32 = 1 << 31;

static ACTIVE: AtomicU32 = AtomicU32::new(UNREAD);
static SEEN: [AtomicU8; 1 << 16] = [const { AtomicU8::new(0) }; 1 << 16];
static FILE: Mutex<Option<std::fs::File>> = Mutex::new(None);

/// Whether this mutant runs.
#[inline(always)]
pub fn on(mutant: u32) -> bool {
    let active = ACTIVE.load(Relaxed);
    if active < TRACE { active == mutant } else { slow(active, mutant, true) }
}

/// Whether comparisons need not ask what their mutants would tell.
#[inline(always)]
pub fn idle() -> bool {
    ACTIVE.load(Relaxed) == NONE
}

/// What a comparison tells: `own`, or what the mutant that runs tells.
pub fn told<const N: usize>(own: bool, others: [(u32, bool); N]) -> bool {
    for (mutant, other) in others {
        let active = ACTIVE.load(Relaxed);
        let runs = if active < TRACE { active == mutant } else { slow(active, mutant, other != own) };
        if runs {
            return other;
        }
    }
    own
}

#[cold]
fn slow(active: u32, mutant: u32, differs: bool) -> bool {
    let active = if active == UNREAD { begin() } else { active };
    if active != TRACE {
        return active == mutant;
    }
    let Some(seen) = SEEN.get(mutant as usize) else { return false };
    let bits = if differs { 3 } else { 1 };
    if seen.load(Relaxed) & bits != bits && seen.fetch_or(bits, Relaxed) & bits != bits {
        if let Ok(mut file) = FILE.lock() {
            if let Some(file) = file.as_mut() {
                let told = if differs { mutant | DIFFERS } else { mutant };
                file.write_all(&told.to_le_bytes()).expect("the trace can be written");
            }
        }
    }
    false
}

fn begin() -> u32 {
    let active = match std::env::var("MUTANT").as_deref() {
        Ok("trace") => TRACE,
        Ok(number) => number.parse().expect("MUTANT is a number or `trace`"),
        Err(_) => NONE,
    };
    if active == TRACE {
        let mut file = FILE.lock().expect("no thread broke off here");
        if file.is_none() {
            let path = std::env::var("MUTANT_TRACE").expect("MUTANT_TRACE names a file");
            let opened = std::fs::OpenOptions::new().create(true).append(true).open(path);
            *file = Some(opened.expect("the file of the trace can be opened"));
        }
    }
    ACTIVE.store(active, Relaxed);
    active
}
