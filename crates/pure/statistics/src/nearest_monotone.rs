//! The non-decreasing sequence nearest to a given one, by weighted least squares.
//!
//! `turnbull` uses it to keep a distribution function from falling. Source: the pool-adjacent-violators algorithm, R. E. Barlow et al.,
//! "Statistical Inference under Order Restrictions" (1972).

/// Replaces values by the nearest non-decreasing ones; each comes with its weight, which is positive.
pub(crate) fn nearest(values: impl Iterator<Item = (f64, f64)>) -> Vec<f64> {
    // Blocks of one mean: sum of weighted values, sum of weights, how many.
    let mut blocks: Vec<(f64, f64, usize)> = Vec::new();
    for (value, weight) in values {
        let mut block = (value * weight, weight, 1);
        while let Some((sum, weight, count)) = blocks.pop_if(|(sum, weight, _)| *sum * block.1 >= block.0 * *weight) {
            block = (block.0 + sum, block.1 + weight, block.2 + count);
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|(sum, weight, count)| core::iter::repeat_n(sum / weight, *count)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pooled() {
        // By hand: 3 and 1 with weights 1 and 3 pool to 1.5; 4 and 2 and 3 to 3.
        let told = nearest([(3.0, 1.0), (1.0, 3.0), (4.0, 1.0), (2.0, 1.0), (3.0, 1.0), (9.0, 5.0)].into_iter());
        assert_eq!(told, [1.5, 1.5, 3.0, 3.0, 3.0, 9.0]);
        assert_eq!(nearest([(1.0, 1.0), (2.0, 7.0)].into_iter()), [1.0, 2.0]);
        assert_eq!(nearest([(5.0, 1.0), (4.0, 1.0), (3.0, 1.0), (0.0, 1.0)].into_iter()), [3.0; 4]);
        assert!(nearest(core::iter::empty()).is_empty());
    }
}
