//! Rainflow counting of a stream, ASTM E1049-85 (2017) section 5.4.4, in bounded memory.

/// One counted cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cycle {
    /// Peak minus valley.
    pub range: f64,
    /// Mean of peak and valley.
    pub mean: f64,
    /// 1 for a full cycle, 0.5 for a half one.
    pub count: f64,
}

/// Turning points kept at the most; when a longer residue builds up, its oldest range is counted as half.
const CAPACITY: usize = 48;

/// The counter. Feed it samples; it finds the turning points itself.
#[derive(Clone, Debug)]
pub struct Rainflow {
    gate: f64,
    points: [f64; CAPACITY],
    len: usize,
    /// The last sample that may become a turning point, and whether it lies above (1) or below (-1) the turning
    /// point before it; 0 while there is none.
    candidate: f64,
    rise: f64,
}

impl Rainflow {
    /// A counter that passes over ranges below `gate`.
    #[must_use]
    pub fn new(gate: f64) -> Rainflow {
        Rainflow { gate, points: [0.0; CAPACITY], len: 0, candidate: 0.0, rise: 0.0 }
    }

    /// The next sample; `closed` receives every cycle that it closes. Samples that go on in the same direction
    /// or stay within the gate cost a comparison or two; only turning points are counted.
    #[inline]
    pub fn push(&mut self, value: f64, closed: impl FnMut(Cycle)) {
        let back = (self.candidate - value) * self.rise;
        if back < 0.0 {
            self.candidate = value;
        } else if back > self.gate || self.rise == 0.0 {
            self.turned(value, closed);
        }
    }

    /// The sample leads away from the candidate, or there is no candidate yet.
    #[inline(never)]
    fn turned(&mut self, value: f64, closed: impl FnMut(Cycle)) {
        if self.len == 0 {
            self.points[0] = value;
            self.len = 1;
            return;
        }
        if self.rise == 0.0 {
            let from_last = value - self.points[self.len - 1];
            if from_last.abs() > self.gate {
                (self.candidate, self.rise) = (value, from_last.signum());
            }
            return;
        }
        let point = self.candidate;
        (self.candidate, self.rise) = (value, -self.rise);
        self.turn(point, closed);
    }

    /// A confirmed turning point: ASTM's three-point rule.
    fn turn(&mut self, point: f64, mut closed: impl FnMut(Cycle)) {
        if self.len == CAPACITY {
            closed(half(self.points[0], self.points[1]));
            self.drop_points(0, 1);
        }
        self.points[self.len] = point;
        self.len += 1;
        while self.len >= 3 {
            let [a, b, c] = [self.points[self.len - 3], self.points[self.len - 2], self.points[self.len - 1]];
            if (c - b).abs() < (b - a).abs() {
                break;
            }
            if self.len == 3 {
                closed(half(a, b));
                self.drop_points(0, 1);
            } else {
                closed(Cycle { count: 1.0, ..half(a, b) });
                self.drop_points(self.len - 3, 2);
            }
        }
    }

    fn drop_points(&mut self, at: usize, count: usize) {
        self.points.copy_within(at + count..self.len, at);
        self.len -= count;
    }

    /// The half cycles that remain if the history ended now (full cycles that the last, unconfirmed point
    /// would close included).
    pub fn residue(&self, mut report: impl FnMut(Cycle)) {
        let mut rest = self.clone();
        if rest.rise != 0.0 {
            rest.turn(rest.candidate, &mut report);
        }
        for pair in rest.points[..rest.len].windows(2) {
            report(half(pair[0], pair[1]));
        }
    }
}

fn half(a: f64, b: f64) -> Cycle {
    Cycle { range: (a - b).abs(), mean: 0.5 * (a + b), count: 0.5 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counts(history: &[f64]) -> Vec<(f64, f64)> {
        let mut cycles = Vec::new();
        let mut counter = Rainflow::new(0.0);
        for &value in history {
            counter.push(value, |c| cycles.push((c.range, c.count)));
        }
        counter.residue(|c| cycles.push((c.range, c.count)));
        cycles.sort_by(|a, b| a.0.total_cmp(&b.0));
        cycles
    }

    /// ASTM E1049-85 (2017), worked example of section 5.4.4.
    #[test]
    fn astm_worked_example() {
        let got = counts(&[-2.0, 1.0, -3.0, 5.0, -1.0, 3.0, -4.0, 4.0, -2.0]);
        let total = |range: f64| got.iter().filter(|c| c.0 == range).map(|c| c.1).sum::<f64>();
        assert_eq!([3.0, 4.0, 6.0, 8.0, 9.0].map(total), [0.5, 1.5, 0.5, 1.0, 0.5]);
        assert_eq!(got.iter().map(|c| c.1).sum::<f64>(), 4.0);
    }

    #[test]
    fn memory_stays_bounded_on_a_growing_then_shrinking_history() {
        let shrinking: Vec<f64> =
            (0..400).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 } * (400 - i) as f64).collect();
        assert_eq!(counts(&shrinking).iter().map(|c| c.1).sum::<f64>(), 0.5 * 399.0);
    }
}
