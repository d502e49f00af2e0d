//! The cheapest assignment against an outside solver: `kuhn_munkres_min` of the crate `pathfinding`.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use pairing::cheapest;
use pathfinding::kuhn_munkres::kuhn_munkres_min;
use pathfinding::matrix::Matrix;
use proptest::prelude::*;

fn prices() -> impl Strategy<Value = (usize, usize, Vec<i64>)> {
    (1_usize..8, 0_usize..6).prop_flat_map(|(rows, more)| {
        let columns = rows + more;
        // Few different prices, so that ties are common, and wide ones.
        let price = prop_oneof![0_i64..6, -1_000_000_i64..1_000_000];
        proptest::collection::vec(price, rows * columns).prop_map(move |all| (rows, columns, all))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(4_000))]

    #[test]
    fn no_solver_finds_a_cheaper_one((rows, columns, prices) in prices()) {
        let answer = cheapest(rows, columns, |row, column| prices[row * columns + column] as f64).unwrap();
        let mut used = answer.clone();
        used.sort_unstable();
        used.dedup();
        prop_assert_eq!(used.len(), rows);
        let total: i64 = answer.iter().enumerate().map(|(row, column)| prices[row * columns + column]).sum();
        let (least, _) = kuhn_munkres_min(&Matrix::from_vec(rows, columns, prices).unwrap());
        prop_assert_eq!(total, least);
    }
}
