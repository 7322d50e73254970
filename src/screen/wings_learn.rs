//! What is learned of a control, as lines at the top of the wings.

use super::ScreenModel;
use super::look::Look;
use super::state::Prompt;
use super::wings_ports::Line;

/// Three lines while a control is learned, otherwise none. A line without words yet stays
/// empty, so that what is below does not move.
pub(super) fn learning(model: &ScreenModel, look: &Look) -> Vec<Line> {
    let Some(learned) = &model.rig.learned else {
        return Vec::new();
    };
    if !matches!(model.ui.prompt, Some(Prompt::Learn(_))) {
        return Vec::new();
    }
    let words = |words: &str, style| vec![(15, words.to_owned(), style)];
    let mut what = words(&learned.what, look.base());
    what.insert(0, (2, "LEARN".to_owned(), look.strong()));
    vec![
        what,
        words(&learned.seen, look.base()),
        words(&learned.line, look.now()),
    ]
}
