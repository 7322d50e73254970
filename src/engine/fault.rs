//! Broken inner rules: loud under test, counted and survived on stage.

/// Whether an inner rule holds. If not: panics in tests and debug builds; in release it
/// counts a fault in `$counters` and is `false`, so that the caller takes its safe branch.
macro_rules! invariant {
    ($counters:expr, $holds:expr, $rule:literal) => {{
        let holds = $holds;
        debug_assert!(holds, $rule);
        if !holds {
            $counters.faults = $counters.faults.saturating_add(1);
        }
        holds
    }};
}

pub(super) use invariant;
