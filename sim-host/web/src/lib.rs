//! The bench for a browser: the same logic and the same plant as WebAssembly, with a page that draws them.
//!
//! The page and this library exchange JSON. To ask, the page calls [`room`] with a request's length, writes the request
//! to where that points, and calls [`ask`]; the answer stands where [`ask`] points, [`answer_length`] bytes long, until
//! the next call. [`bench::Request`] tells what can be asked. Nothing is fetched, and nothing leaves the page.

pub mod bench;

use std::cell::RefCell;

use bench::Bench;

#[derive(Default)]
struct Desk {
    bench: Bench,
    request: Vec<u8>,
    answer: String,
}

thread_local! {
    static DESK: RefCell<Desk> = RefCell::default();
}

/// Room for a request of so many bytes; valid until the next call of anything here.
#[unsafe(no_mangle)]
pub extern "C" fn room(length: usize) -> *mut u8 {
    DESK.with_borrow_mut(|desk| {
        desk.request.clear();
        desk.request.resize(length, 0);
        desk.request.as_mut_ptr()
    })
}

/// Does what the request asks; where its answer stands.
#[unsafe(no_mangle)]
pub extern "C" fn ask() -> *const u8 {
    DESK.with_borrow_mut(|desk| {
        desk.answer = desk.bench.ask_json(&desk.request);
        desk.answer.as_ptr()
    })
}

/// The length of the last answer, bytes.
#[unsafe(no_mangle)]
pub extern "C" fn answer_length() -> usize {
    DESK.with_borrow(|desk| desk.answer.len())
}
