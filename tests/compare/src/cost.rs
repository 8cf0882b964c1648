//! What something costs: wall and CPU seconds, and the memory of this process.

use rustix::time::{ClockId, clock_gettime};
use serde_json::{Map, Value, json};
use std::time::Instant;

/// Seconds of one step.
#[derive(Clone, Copy, Debug)]
pub struct Cost {
    pub wall: f64,
    pub cpu: f64,
}

/// CPU seconds of all threads of this process so far.
pub fn cpu() -> f64 {
    let now = clock_gettime(ClockId::ProcessCPUTime);
    now.tv_sec as f64 + 1e-9 * now.tv_nsec as f64
}

/// Does `work` once.
pub fn once<T>(work: impl FnOnce() -> T) -> (T, Cost) {
    let (wall, before) = (Instant::now(), cpu());
    let made = work();
    (made, Cost { wall: wall.elapsed().as_secs_f64(), cpu: cpu() - before })
}

/// Does `work` an odd number of times, each result dropped before the next; the last result, and the medians.
pub fn median<T>(times: usize, mut work: impl FnMut() -> T) -> (T, Cost) {
    let (mut made, first) = once(&mut work);
    let mut costs = vec![first];
    for _ in 1..times {
        drop(made);
        let (again, cost) = once(&mut work);
        made = again;
        costs.push(cost);
    }
    let middle = |of: fn(&Cost) -> f64| {
        let mut values: Vec<f64> = costs.iter().map(of).collect();
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    (made, Cost { wall: middle(|c| c.wall), cpu: middle(|c| c.cpu) })
}

/// A line of `/proc/self/status`, MiB; 0 where the system has none.
fn status_mib(name: &str) -> f64 {
    let text = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = text.lines().find(|l| l.starts_with(name)).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|v| v.parse::<f64>().ok()).unwrap_or(0.0) / 1024.0
}

/// One line of results in the making.
pub struct Line {
    fields: Map<String, Value>,
    steps: Map<String, Value>,
}

impl Line {
    /// To be made when the inputs are in memory and nothing timed has begun.
    pub fn new() -> Self {
        let mut fields = Map::new();
        fields.insert("base_mib".into(), json!(status_mib("VmRSS:")));
        Self { fields, steps: Map::new() }
    }

    pub fn step(&mut self, name: &str, cost: Cost) {
        self.steps.insert(name.into(), json!({ "wall": cost.wall, "cpu": cost.cpu }));
    }

    pub fn set(&mut self, name: &str, value: impl Into<Value>) {
        self.fields.insert(name.into(), value.into());
    }

    /// Call it before anything is checked: the peak is that of the work.
    pub fn peak(&mut self) {
        self.set("peak_mib", status_mib("VmHWM:"));
    }

    pub fn end(mut self) -> Value {
        self.fields.insert("steps".into(), Value::Object(self.steps));
        Value::Object(self.fields)
    }
}
