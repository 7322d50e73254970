//! Findings about one file: what the readers of that file write to.

use super::{Problem, Span, Tree};
use crate::show::finding::{Finding, Findings, Level, Place};

/// Turns problems of one file into findings with its name, line and column.
#[derive(Debug)]
pub struct Report<'a> {
    file: &'a str,
    tree: &'a Tree,
    findings: &'a mut Findings,
}

impl<'a> Report<'a> {
    /// A report on `tree`, whose path from the show folder is `file`.
    pub fn new(file: &'a str, tree: &'a Tree, findings: &'a mut Findings) -> Self {
        Self {
            file,
            tree,
            findings,
        }
    }

    /// A report that begins with all mistakes of grammar: the first thing that a reader makes.
    pub fn open(file: &'a str, tree: &'a Tree, findings: &'a mut Findings) -> Self {
        let mut report = Self::new(file, tree, findings);
        for problem in tree.problems().kept() {
            report.add(problem.clone());
        }
        report.findings.count(Level::Error, tree.problems().more());
        report
    }

    /// Makes a finding of a problem.
    pub fn add(&mut self, problem: Problem) {
        self.add_with(problem.level, || problem);
    }

    /// Makes a finding of a problem that takes work to put into words; past the limit of
    /// findings it is only counted.
    pub fn add_with(&mut self, level: Level, make: impl FnOnce() -> Problem) {
        let (file, tree) = (self.file, self.tree);
        self.findings.add_with(level, || {
            let problem = make();
            let place = match problem.span {
                Some(span) => tree.lines().place(tree.text(), file, span),
                None => Place::of_file(file),
            };
            Finding {
                id: problem.id,
                level: problem.level,
                place,
                message: problem.message,
                help: problem.help,
            }
        });
    }

    /// The mistakes of grammar within a span: a field that seems to be missing there may be
    /// what could not be read, which was reported already.
    pub fn damage(&self, span: Span) -> impl Iterator<Item = Span> + use<'a> {
        let problems = self.tree.problems().kept().iter();
        let places = problems.filter_map(|problem| problem.span);
        places.filter(move |place| span.contains(*place))
    }

    /// The tree of the file that this report is about.
    pub fn tree(&self) -> &'a Tree {
        self.tree
    }
}
