//! The hand-over sheet on paper: Chromium prints it on A4 and Letter, nothing is cut off, each part is found in the file.
//!
//! Needs Chromium.
#![allow(missing_docs, clippy::unwrap_used)]

mod browser;

use bedkeeper_sim::sheet::Sheet;
use bedkeeper_sim::{demo, site};
use browser::Shown;
use headless_chrome::types::PrintToPdfOptions;

/// Width and height in inches, and the same in points as the file has them.
const PAPERS: [(&str, f64, f64, &str); 2] = [("A4", 8.27, 11.69, "595"), ("Letter", 8.5, 11.0, "612")];

#[test]
fn the_sheet_prints_on_a4_and_letter() {
    let source = demo::demo_site("demo:apartments").unwrap().unwrap();
    let site = site::parse("demo:apartments", source).unwrap();
    let sheet = Sheet::new(&site, "demo:apartments", None, None).unwrap();
    let shown = Shown::empty((1_200, 900));
    let file = shown.folder.path().join("sheet.html");
    std::fs::write(&file, sheet.html().unwrap()).unwrap();
    shown.go_to(&file);
    let tab = &shown.tab;

    // As wide as the paper between its margins, nothing sticks out.
    let wide = "(() => { document.body.style.width = '180mm'; document.body.style.maxWidth = 'none'; \
                const edge = document.body.getBoundingClientRect().right + 1; \
                return [...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > edge).length })()";
    let sticking_out = tab.evaluate(wide, false).unwrap().value.unwrap();
    assert_eq!(sticking_out, 0, "elements wider than the paper");
    tab.evaluate("document.body.style.width = document.body.style.maxWidth = ''", false).unwrap();

    for (paper, width, height, points) in PAPERS {
        let options = PrintToPdfOptions {
            paper_width: Some(width),
            paper_height: Some(height),
            print_background: Some(false),
            ..PrintToPdfOptions::default()
        };
        let pdf = tab.print_to_pdf(Some(options)).unwrap();
        assert!(pdf.starts_with(b"%PDF-"), "{paper}");
        let text = String::from_utf8_lossy(&pdf);
        let pages = text.matches("/Type /Page\n").count();
        assert!((7..=16).contains(&pages), "{paper}: {pages} pages");
        assert!(text.contains(&format!("/MediaBox [0 0 {points}")), "{paper}: the paper's size");
        if let Some(folder) = std::env::var_os("REPORT_PICTURES") {
            std::fs::write(std::path::Path::new(&folder).join(format!("sheet-{paper}.pdf")), &pdf).unwrap();
        }
    }
    assert_eq!(shown.complaints(), Vec::<String>::new());
}
