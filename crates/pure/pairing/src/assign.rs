//! The cheapest set of pairs: the rectangular assignment problem, solved exactly.
//!
//! Shortest augmenting paths with potentials (Kuhn 1955 and Munkres 1957; in the form of Jonker and Volgenant,
//! Computing 38, 1987): O(rows² · columns). Pure and small; the only caller is `settle`.

/// For each row the column that it gets, so that the sum of `cost(row, column)` is least. There must be at least as many
/// columns as rows; an infinite cost forbids a pair. Ties go to the lower column.
///
/// Returns nothing when there are fewer columns than rows, or when every complete assignment is forbidden.
#[must_use]
pub fn cheapest(rows: usize, columns: usize, cost: impl Fn(usize, usize) -> f64) -> Option<Vec<usize>> {
    if columns < rows {
        return None;
    }
    let mut row_price = vec![0.0; rows];
    let mut column_price = vec![0.0; columns];
    let mut owner: Vec<Option<usize>> = vec![None; columns];
    for start in 0..rows {
        let mut distance = vec![f64::INFINITY; columns];
        let mut came_from: Vec<Option<usize>> = vec![None; columns];
        let mut done = vec![false; columns];
        let (mut row, mut via, mut reached) = (start, None, 0.0);
        let end = loop {
            let mut best: Option<(usize, f64)> = None;
            for column in 0..columns {
                if *done.get(column)? {
                    continue;
                }
                let step = reached + cost(row, column) - *row_price.get(row)? - *column_price.get(column)?;
                let known = distance.get_mut(column)?;
                if step < *known {
                    *known = step;
                    *came_from.get_mut(column)? = via;
                }
                if best.is_none_or(|(_, d)| *known < d) {
                    best = Some((column, *known));
                }
            }
            let (column, d) = best?;
            if !d.is_finite() {
                return None;
            }
            reached = d;
            *done.get_mut(column)? = true;
            via = Some(column);
            match owner.get(column)? {
                Some(next) => row = *next,
                None => break column,
            }
        };
        // Prices move so that every pair on the tree stays tight and none becomes cheaper than its prices.
        *row_price.get_mut(start)? += reached;
        for column in 0..columns {
            if *done.get(column)? {
                let slack = reached - *distance.get(column)?;
                *column_price.get_mut(column)? -= slack;
                if let Some(owner) = owner.get(column)? {
                    *row_price.get_mut(*owner)? += slack;
                }
            }
        }
        let mut column = end;
        while let Some(previous) = *came_from.get(column)? {
            *owner.get_mut(column)? = *owner.get(previous)?;
            column = previous;
        }
        *owner.get_mut(column)? = Some(start);
    }
    let mut answer = vec![0; rows];
    for (column, row) in owner.iter().enumerate() {
        if let Some(row) = row {
            *answer.get_mut(*row)? = column;
        }
    }
    Some(answer)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn brute(costs: &[Vec<f64>], row: usize, used: &mut Vec<bool>) -> f64 {
        if row == costs.len() {
            return 0.0;
        }
        let mut best = f64::INFINITY;
        for column in 0..used.len() {
            if !used[column] {
                used[column] = true;
                best = best.min(costs[row][column] + brute(costs, row + 1, used));
                used[column] = false;
            }
        }
        best
    }

    #[test]
    fn a_small_one_worked_by_hand() {
        // Row 0 must leave column 0 to row 2; the optimum is 1 + 2 + 2.
        let costs = [[2.0, 3.0, 1.0], [4.0, 2.0, 6.0], [2.0, 9.0, 9.0]];
        let got = cheapest(3, 3, |r, c| costs[r][c]).unwrap();
        assert_eq!(got, [2, 1, 0]);
    }

    #[test]
    fn what_cannot_be_done_is_said() {
        assert_eq!(cheapest(2, 1, |_, _| 0.0), None);
        assert_eq!(cheapest(1, 1, |_, _| f64::INFINITY), None);
        assert_eq!(cheapest(0, 0, |_, _| 0.0), Some(vec![]));
    }

    proptest! {
        #[test]
        fn as_cheap_as_trying_everything(
            rows in 1usize..5,
            extra in 0usize..3,
            seed in proptest::collection::vec((-20i32..40, 0u8..10), 35),
        ) {
            let columns = rows + extra;
            let costs: Vec<Vec<f64>> = (0..rows)
                .map(|r| (0..columns).map(|c| {
                    let (value, rare) = seed[r * columns + c];
                    if rare == 0 { f64::INFINITY } else { f64::from(value) / 4.0 }
                }).collect())
                .collect();
            let want = brute(&costs, 0, &mut vec![false; columns]);
            match cheapest(rows, columns, |r, c| costs[r][c]) {
                None => prop_assert!(want.is_infinite()),
                Some(answer) => {
                    let mut seen = answer.clone();
                    seen.sort_unstable();
                    seen.dedup();
                    prop_assert_eq!(seen.len(), rows);
                    let got: f64 = answer.iter().enumerate().map(|(r, c)| costs[r][*c]).sum();
                    prop_assert!((got - want).abs() < 1e-9, "{} {}", got, want);
                }
            }
        }
    }
}
