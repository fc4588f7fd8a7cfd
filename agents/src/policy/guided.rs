//! When a guide gives way to what was learned.

use super::Mask;
use std::ops::Add;

/// The possible action valued highest; with a guide, the guide's unless another one is valued higher by more than
/// `margin`. A guide whose action is not possible is ignored. `None` where nothing is possible.
#[must_use]
pub fn guided_best<V>(values: &[V], mask: Mask, guide: Option<usize>, margin: V) -> Option<usize>
where
    V: PartialOrd + Copy + Add<Output = V>,
{
    let best = mask.best(values)?;
    match guide.filter(|&guide| mask.allows(guide)) {
        Some(guide) if values[best] > values[guide] + margin => Some(best),
        Some(guide) => Some(guide),
        None => Some(best),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_guide_gives_way_only_to_the_margin() {
        let (values, all) = ([1.0, 2.0, 0.0], Mask::all(3));
        assert_eq!(guided_best(&values, all, Some(0), 0.5), Some(1));
        assert_eq!(guided_best(&values, all, Some(0), 1.0), Some(0));
        assert_eq!(guided_best(&values, all, None, 9.0), Some(1));
        let no_guide = Mask::from([false, true, true]);
        assert_eq!(guided_best(&values, no_guide, Some(0), 9.0), Some(1));
        assert_eq!(guided_best(&values, Mask::from([false; 3]), Some(0), 9.0), None);
    }
}
