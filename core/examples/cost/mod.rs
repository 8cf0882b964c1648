//! What the system tells of this process, for the examples that measure.

/// Processor seconds of all threads so far, to a hundredth; 0 where the system does not tell.
pub(crate) fn processor_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |n: usize| after_name.split_whitespace().nth(n).and_then(|w| w.parse::<f64>().ok());
    (ticks(11).unwrap_or(0.0) + ticks(12).unwrap_or(0.0)) / 100.0
}

/// A line of `/proc/self/status` in MiB.
pub(crate) fn memory_mib(name: &str) -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with(name)).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|w| w.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}
