//! The loss of a batch.

use super::{
    DqnConfig, UpdateStatistics,
    replay::Transition,
    update::{huber, huber_slope, margin_loss},
};

/// Sums a batch's loss and its derivative by each value.
pub(crate) struct Loss<'a> {
    delta: f32,
    margin: f32,
    margin_weight: f32,
    actions: usize,
    values: &'a [f32],
    slope: Vec<f32>,
    errors: Vec<f32>,
    loss: f32,
    value: f32,
}

impl<'a> Loss<'a> {
    pub(crate) fn new(config: &DqnConfig, decisions: u64, values: &'a [f32], actions: usize) -> Loss<'a> {
        Loss {
            delta: config.huber_delta,
            margin: config.guide_margin,
            margin_weight: config.guide_weight.at(decisions),
            actions,
            slope: vec![0.0; values.len()],
            values,
            errors: Vec::new(),
            loss: 0.0,
            value: 0.0,
        }
    }

    fn rows(&self) -> f32 {
        (self.values.len() / self.actions) as f32
    }

    /// Adds the loss of row `row`: that of its error, times `weight`, and the guide's part.
    pub(crate) fn add(&mut self, row: usize, t: &Transition, y: f32, weight: f32) {
        let share = 1.0 / self.rows();
        let place = row * self.actions..(row + 1) * self.actions;
        let (values, slope) = (&self.values[place.clone()], &mut self.slope[place]);
        let action = usize::from(t.action);
        let error = values[action] - y;
        slope[action] += share * weight * huber_slope(error, self.delta);
        self.loss += weight * huber(error, self.delta);
        self.errors.push(error);
        self.value += values[action];
        if let Some(guide) = t.guide.filter(|_| self.margin_weight > 0.0) {
            let guide = usize::from(guide);
            let (loss, worst) = margin_loss(values, t.mask, guide, self.margin);
            self.loss += self.margin_weight * loss;
            slope[worst] += share * self.margin_weight;
            slope[guide] -= share * self.margin_weight;
        }
    }

    /// Means over the batch, the error of each row, and the loss's derivative by each value.
    pub(crate) fn mean(self) -> (UpdateStatistics, Vec<f32>, Vec<f32>) {
        let (loss, value) = (self.loss / self.rows(), self.value / self.rows());
        (UpdateStatistics { loss, value, gradient_norm: 0.0 }, self.errors, self.slope)
    }
}
