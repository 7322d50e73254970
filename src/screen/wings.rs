//! The wings.
use super::ScreenModel;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
/// Draws the help into `area`.
pub fn render(_model: &ScreenModel, _area: Rect, _buf: &mut Buffer) {}
