//! The plan of further readings, as a tree to follow from the top.

use crate::layout::Page;
use crate::{numbers, words};
use deadstage_reason::{Plan, PlanAnswer, PlanBranch, PlanNode, PlanStep, PlanThen};

/// Answers named at one place of the tree.
const NAMED: usize = 3;
/// An answer below this share is not named.
const WORTH_NAMING: f64 = 0.05;
/// By how much a level is set in.
const LEVEL: &str = "    ";

/// The plan under its heading.
pub(super) fn plan(page: &mut Page, plan: &Plan) {
    page.heading("Plan");
    if matches!(plan.root.then, PlanThen::Measure { .. }) {
        page.paragraph(
            "  ",
            &format!(
                "For {} of the probability; trouble to be expected {:.1}, a voltage at an easy pin being 1. Voltages with the unit on, as before; on a reading that fits none of it, put it on the sheet and ask again.",
                numbers::per_cent(plan.covers),
                plan.effort
            ),
        );
    }
    node(page, &plan.root, "  ");
}

fn node(page: &mut Page, node: &PlanNode, indent: &str) {
    let deeper = format!("{indent}{LEVEL}");
    match &node.then {
        PlanThen::Open => page.hung(
            &format!("{indent}-> "),
            &deeper,
            "Put the readings on the sheet and ask again.",
        ),
        PlanThen::Act { said, .. } => {
            page.hung(&format!("{indent}-> "), &deeper, &capital(said));
        }
        PlanThen::Measure { step, branches } => {
            page.hung(&format!("{indent}* "), &deeper, &measured(step));
            for branch in branches {
                let known = known(&branch.node.held);
                page.hung(
                    &format!("{indent}  "),
                    &deeper,
                    &format!(
                        "{} ({}): {known}",
                        range(branch, &step.unit),
                        numbers::per_cent(branch.probability)
                    ),
                );
                self::node(page, &branch.node, &deeper);
            }
        }
    }
}

/// `volts grid2 with V2 pulled, after switching off and discharging`.
pub(super) fn measured(step: &PlanStep) -> String {
    asked(
        step.kind,
        &step.point,
        step.with.as_deref(),
        step.setting.as_deref(),
    ) + power(step.kind, step.with.as_deref())
}

/// `volts grid2 with V2 pulled, set to transmit`.
pub(super) fn asked(kind: &str, point: &str, with: Option<&str>, setting: Option<&str>) -> String {
    let mut line = format!("{kind} {point}");
    if let Some(with) = with {
        line.push_str(&format!(" with {with}"));
    }
    if let Some(setting) = setting {
        line.push_str(&format!(", set to {setting}"));
    }
    line
}

/// What comes before it: what is lifted, pulled or read in ohms is so with the power off.
pub(super) fn power(kind: &str, with: Option<&str>) -> &'static str {
    if kind == "ohms" || kind == "tester" || with.is_some() {
        ", after switching off and discharging"
    } else {
        ""
    }
}

fn range(branch: &PlanBranch, unit: &str) -> String {
    let number = |value: f64| numbers::in_unit(value, unit);
    match (branch.from, branch.to) {
        (None, Some(to)) => format!("below {}", number(to)),
        (Some(from), None) => format!("above {}", number(from)),
        (Some(from), Some(to)) => format!("{} to {}", number(from), number(to)),
        (None, None) => "any reading".to_owned(),
    }
}

/// `C3 leaky 96 %, V2 gassy 4 %`.
fn known(held: &[PlanAnswer]) -> String {
    let named: Vec<String> = held
        .iter()
        .enumerate()
        .filter(|(index, answer)| *index == 0 || answer.probability >= WORTH_NAMING)
        .take(NAMED)
        .map(|(_, answer)| {
            let faults: Vec<String> = answer.faults.iter().map(words::failed).collect();
            let name = if faults.is_empty() {
                "nothing failed".to_owned()
            } else {
                faults.join(" + ")
            };
            format!("{name} {}", numbers::per_cent(answer.probability))
        })
        .collect();
    named.join(", ")
}

/// A sentence with a capital.
fn capital(said: &str) -> String {
    let mut letters = said.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    #[test]
    fn the_tree_is_followed_from_measurement_to_repair() {
        let mut page = Page::default();
        plan(&mut page, &samples::plan());
        let text = samples::plain(&page.finish());
        let order = [
            "Plan",
            "  * ohms across R2, after switching off and discharging",
            "    below 12 kΩ (25 %): V1 dead 90 %, R2 open 8.0 %",
            "      -> Replace V1 and measure again.",
            "    above 12 kΩ (75 %): R2 open 95 %",
            "      * volts plate1, set to transmit",
            "        below 100 V (60 %): R2 open 98 %",
            "          -> Replace R2 and measure again.",
            "        above 100 V (40 %): nothing failed 50 %",
            "          -> Put the readings on the sheet and ask again.",
        ];
        let mut from = 0;
        for line in order {
            let at = text[from..].find(line);
            assert!(at.is_some(), "{line} is missing or out of order in\n{text}");
            from += at.unwrap_or(0);
        }
        assert!(text.lines().all(|line| line.chars().count() <= 100));
    }
}
