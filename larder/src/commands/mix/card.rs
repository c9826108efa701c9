//! The mixing card: one page for the bench, with boxes to tick and lines to write on. As plain
//! text, and as a page that needs nothing but itself and prints on A4 and on Letter.

use super::table::{WIDTH, wrap};
use larder_api::mix::{MixResponse, VesselBody};

/// More vessels than this are one line with a count instead of a box each.
const MOST_BOXES: u32 = 24;

/// More boxes than this get a line of their own in plain text.
const MOST_BOXES_BESIDE: usize = 12;

/// Plain text, 80 columns.
pub fn text(mix: &MixResponse) -> String {
    let mut card = String::new();
    let mut line = |text: &str| {
        card.push_str(text.trim_end());
        card.push('\n');
    };
    line("MIXING CARD");
    line(&"=".repeat(WIDTH));
    for words in wrap(&mix.sentence, WIDTH, "") {
        line(&words);
    }
    line("");
    line("Date ______________  Mixed by __________________  For ________________________");
    line("");
    line("GOES IN");
    for item in goes_in(mix) {
        line(&format!("  [ ] {item}"));
    }
    line("");
    line("STEPS");
    for step in steps(mix) {
        for (i, words) in wrap(&step, WIDTH - 6, "").iter().enumerate() {
            line(&format!("  {} {words}", if i == 0 { "[ ]" } else { "   " }));
        }
    }
    let vessels = vessel_lines(mix);
    if !vessels.is_empty() {
        line("");
        line("VESSEL BY VESSEL");
        for vessel in vessels {
            if vessel.boxes <= MOST_BOXES_BESIDE {
                line(&format!("  {} {}", "[ ]".repeat(vessel.boxes), vessel.head));
            } else {
                line(&format!("  {}", "[ ]".repeat(vessel.boxes)));
                line(&format!("      {}", vessel.head));
            }
            for words in wrap(&vessel.work, WIDTH - 6, "") {
                line(&format!("      {words}"));
            }
        }
    }
    line("");
    line("BECOMES");
    for item in becomes(mix) {
        for words in wrap(&item, WIDTH - 2, "") {
            line(&format!("  {words}"));
        }
    }
    line("");
    line("MIND");
    for caution in &mix.cautions {
        for (i, words) in wrap(&caution.text, WIDTH - 4, "").iter().enumerate() {
            line(&format!("  {} {words}", if i == 0 { "-" } else { " " }));
        }
    }
    line("");
    line("Notes");
    line(&"_".repeat(WIDTH));
    card
}

/// A page that stands alone.
pub fn html(mix: &MixResponse) -> String {
    let items = |tag: &str, items: Vec<String>| -> String {
        items
            .iter()
            .map(|item| format!("<li class=\"{tag}\">{}</li>\n", escape(item)))
            .collect()
    };
    let mut vessels = String::new();
    for vessel in vessel_lines(mix) {
        let boxes = "<span class=\"box\"></span>".repeat(vessel.boxes);
        vessels.push_str(&format!(
            "<li>{boxes}<b>{}</b> {}</li>\n",
            escape(&vessel.head),
            escape(&vessel.work)
        ));
    }
    let vessels = if vessels.is_empty() {
        String::new()
    } else {
        format!("<h2>Vessel by vessel</h2>\n<ul>\n{vessels}</ul>\n")
    };
    let cautions = mix.cautions.iter().map(|c| c.text.clone()).collect();
    format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <title>Mixing card</title>\n<style>{STYLE}</style>\n</head>\n<body>\n\
         <h1>Mixing card</h1>\n<p class=\"whole\">{}</p>\n\
         <p class=\"blanks\"><span>Date</span><span>Mixed by</span><span>For</span></p>\n\
         <h2>Goes in</h2>\n<ul class=\"large\">\n{}</ul>\n\
         <h2>Steps</h2>\n<ul>\n{}</ul>\n{vessels}\
         <h2>Becomes</h2>\n<ul>\n{}</ul>\n\
         <h2>Mind</h2>\n<ul class=\"mind\">\n{}</ul>\n\
         <p class=\"notes\">Notes</p>\n</body>\n</html>\n",
        escape(&mix.sentence),
        items("tick", goes_in(mix)),
        items("tick", steps(mix)),
        items("", becomes(mix)),
        items("", cautions),
    )
}

const STYLE: &str = "
@page { margin: 13mm }
* { box-sizing: border-box }
body { font: 15px/1.35 system-ui, sans-serif; color: #000; background: #fff; margin: 0 auto;
  padding: 16px; max-width: 48rem; font-variant-numeric: tabular-nums }
h1 { font-size: 26px; margin: 0 0 4px; border-bottom: 3px solid #000 }
h2 { font-size: 15px; margin: 12px 0 2px; border-bottom: 1px solid #000 }
.whole { font-size: 18px; margin: 6px 0 }
ul { list-style: none; margin: 0; padding: 0 }
li { margin: 3px 0; break-inside: avoid }
.large li { font-size: 24px; font-weight: 700 }
.tick::before, .box { content: ''; display: inline-block; width: .85em; height: .85em;
  border: 2px solid #000; margin-right: .45em; vertical-align: -.08em }
.mind { font-size: 13px }
.mind li::before { content: '– ' }
.blanks { display: flex; gap: 24px; margin: 10px 0 }
.blanks span { flex: 1; border-bottom: 1px solid #000 }
.notes { border-bottom: 1px solid #000; padding-bottom: 40px; margin: 12px 0 0 }
@media print { body { padding: 0; max-width: none; font-size: 11pt }
  .whole { font-size: 13pt } .large li { font-size: 17pt } .mind { font-size: 9.5pt } h2 { font-size: 11pt } }
";

/// What to fetch: the first section's lines, number first.
fn goes_in(mix: &MixResponse) -> Vec<String> {
    let rows = mix
        .sections
        .first()
        .map_or(&[][..], |section| &section.rows);
    rows.iter()
        .map(|row| {
            let note = if row.note.is_empty() {
                String::new()
            } else {
                format!(" ({})", row.note)
            };
            format!("{} {} {}{note}", row.number, row.unit, row.label)
        })
        .collect()
}

fn steps(mix: &MixResponse) -> Vec<String> {
    if mix.kind != "sucrose" {
        return vec!["Stir it through; warm it gently if it has crystals.".into()];
    }
    let mut steps = Vec::new();
    if mix.leftover.is_some() {
        steps.push(
            "Smell and look at what is left over: throw out what foams, smells or has gone dark."
                .into(),
        );
    }
    match (&mix.warmth, mix.add_water_kg > 0.0) {
        (Some(_), true) => {
            steps.push("Put the hot water in first, then the cold, off the heat.".into());
        }
        (None, true) => steps.push("Put most of the water in first, warm if you can.".into()),
        (_, false) => {}
    }
    if mix.add_sugar_kg > 0.0 {
        steps.push("Pour the sugar in slowly and stir until it is clear: no grains left.".into());
    }
    steps.push("Top up to the mark, stir again, and let it cool before it goes on a hive.".into());
    steps.push("Write strength and date on every vessel; lids on, no drips.".into());
    steps
}

struct VesselLine {
    boxes: usize,
    head: String,
    work: String,
}

fn vessel_lines(mix: &MixResponse) -> Vec<VesselLine> {
    let named = mix.vessels.iter().filter(|load| load.vessel.is_some());
    named.map(vessel_line).collect()
}

fn vessel_line(load: &VesselBody) -> VesselLine {
    let vessel = load.vessel.as_deref().unwrap_or("vessel");
    let boxes = if load.times <= MOST_BOXES {
        load.times as usize
    } else {
        1
    };
    VesselLine {
        boxes,
        head: format!("{} × {vessel}:", load.times),
        work: format!("{} = {}", load.words, load.makes),
    }
}

/// The last two things a keeper asks: what it weighs full, and what it becomes.
fn becomes(mix: &MixResponse) -> Vec<String> {
    let section = mix.sections.iter().find(|s| s.title.starts_with("Becomes"));
    let rows = section.map_or(&[][..], |section| &section.rows);
    rows.iter()
        .map(|row| {
            let note = if row.note.is_empty() {
                String::new()
            } else {
                format!(" ({})", row.note)
            };
            format!("{}: {} {}{note}", row.label, row.number, row.unit)
        })
        .collect()
}

fn escape(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;
    use larder_api::mix::{MixRequest, answer};
    use larder_syrup::units::UnitSystem;

    fn two_to_one() -> MixResponse {
        let request = MixRequest {
            strength: Some("2:1".into()),
            volume: Some("60 gal".into()),
            bags: vec!["50 lb".into()],
            vessels: vec!["12 gal".into()],
            price: Some("$1/kg".into()),
            ..MixRequest::default()
        };
        answer(&request, UnitSystem::Us).unwrap()
    }

    #[test]
    fn the_text_card_fits_80_columns_and_one_page() {
        let card = text(&two_to_one());
        assert!(
            card.lines().all(|line| line.chars().count() <= WIDTH),
            "{card}"
        );
        assert!(card.lines().count() <= 58, "{} lines", card.lines().count());
        assert!(card.contains("[ ]"), "boxes to tick");
    }

    #[test]
    fn the_page_needs_nothing_but_itself() {
        let page = html(&two_to_one());
        for outside in ["http:", "https:", "<script", "<link", "url(", "@import"] {
            assert!(!page.contains(outside), "{outside}");
        }
        assert_eq!(page.matches("<ul").count(), page.matches("</ul>").count());
        assert_eq!(page.matches("<li").count(), page.matches("</li>").count());
    }
}
