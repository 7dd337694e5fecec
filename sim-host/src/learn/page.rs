//! The exercises as a chapter of the handbook, with the answers folded away.

use super::Exercise;

/// The chapter, made from the exercises.
#[must_use]
pub fn handbook_page(exercises: &[Exercise]) -> String {
    let mut text = String::from(
        "# Exercises\n\n\
         <!-- Made from the exercises themselves by a test, which also compares every answer with a run; do not edit. -->\n\n\
         Every plant here is invented. Read the situation, write down what you expect, and then run it: `bedkeeper learn NAME` asks the\n\
         same questions, runs the plant through the real logic and shows the logic's own reasons. Moments are written \"day 2 02:00\",\n\
         where day 1 is the day on which the exercise starts.\n",
    );
    for exercise in exercises {
        text.push_str(&format!("\n## {}. {}\n\n", exercise.number, exercise.title));
        text.push_str(&format!("`bedkeeper learn {}`\n\n{}\n", exercise.name, exercise.situation));
        for (i, question) in exercise.questions.iter().enumerate() {
            text.push_str(&format!("\n**Question {}.** {}\n", i + 1, question.text));
            if let Some(hint) = &question.hint {
                text.push_str(&format!("\n<details><summary>Hint</summary>\n\n{hint}\n\n</details>\n"));
            }
            text.push_str(&format!(
                "\n<details><summary>Answer</summary>\n\n`{}`. {}\n\n</details>\n",
                question.answer, question.because
            ));
        }
    }
    text
}
