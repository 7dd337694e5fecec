//! Nothing is cut off unsaid, menus speak plainly, alarms tell all, and a clock is set.

use super::*;

/// A fault fills why, alarms and journal at the smallest size: each pane says how much more it has, and keys and the wheel
/// bring it.
#[test]
fn panes_say_what_is_out_of_view_and_scroll() {
    let mut app = app(false);
    type_keys(&mut app, "2f");
    choose(&mut app, "motor-stalled");
    type_keys(&mut app, "o");
    choose(&mut app, "start now");
    app.session.advance(HOUR_MS).unwrap();
    app.message.clear();
    let small = screen(&mut app, 80, 24);
    insta::assert_snapshot!("alarms_small", small);
    insta::assert_snapshot!("alarms_large", screen(&mut app, 132, 43));
    assert!(small.contains("more below: Tab, PgDn") && small.contains("more above: PgUp"), "{small}");

    // The journal is chosen at first and shows its end; page up goes back, page down to the end again.
    screen(&mut app, 80, 24);
    press(&mut app, KeyCode::PageUp);
    let back = screen(&mut app, 80, 24);
    assert!(back.contains("below: PgUp PgDn"), "{back}");
    press(&mut app, KeyCode::PageDown);
    assert_eq!(screen(&mut app, 80, 24), small);

    // Tab goes through the panes; the last row of the alarms is reached, and said to be the last.
    for _ in 0..3 {
        press(&mut app, KeyCode::Tab);
    }
    assert_eq!(app.pane, Pane::Alarms);
    for _ in 0..20 {
        screen(&mut app, 80, 24);
        press(&mut app, KeyCode::PageDown);
    }
    let end = screen(&mut app, 80, 24);
    assert!(end.contains("more above: PgUp") && !end.contains("PgUp PgDn"), "{end}");

    // The wheel scrolls what it is over, chosen or not.
    let (_, journal) = *app.places.panes.iter().find(|(pane, _)| *pane == Pane::Journal).unwrap();
    let wheel = |kind| MouseEvent { kind, column: journal.x + 3, row: journal.y + 2, modifiers: KeyModifiers::NONE };
    app.mouse(wheel(MouseEventKind::ScrollUp));
    assert!(screen(&mut app, 80, 24).contains("19 above, 3 below: Tab, PgUp PgDn"));
    app.mouse(wheel(MouseEventKind::ScrollDown));
    assert_eq!(screen(&mut app, 80, 24), end);
    assert_eq!(app.pane, Pane::Alarms);
}

/// Eight tanks do not fit above the other panes at the smallest size: the chosen one is in view, and the rest is a
/// page key away.
#[test]
fn the_chosen_of_many_tanks_is_in_view() {
    let text = demo::demo_site("demo:apartments").unwrap().unwrap();
    let eight = text.replacen("arrangement = \"alternating\"", "arrangement = \"parallel\"\nnumber = 8", 1);
    let site = site::parse("eight.toml", &eight).unwrap_or_else(|errors| panic!("{}", errors.render(false)));
    let start = jiff::civil::date(2027, 3, 1).at(0, 0, 0, 0);
    let plan = Plan::of_site(site, "eight.toml", start, false, Water::None, None).unwrap();
    let mut app = App::new(Session::new(plan).unwrap(), PathBuf::from("never-written.toml"));
    app.session.advance(HOUR_MS).unwrap();
    for number in 1..=8 {
        type_keys(&mut app, &number.to_string());
        let seen = screen(&mut app, 80, 24);
        assert!(seen.contains(&format!("│>{number} ")), "tank {number}:\n{seen}");
        assert!(seen.contains("more") && seen.contains("Tab, PgUp") || seen.contains("Tab, PgDn"), "{seen}");
    }
}

/// At every width from that of the smallest terminal down, the foot ends with a whole key, and menus show whole words.
#[test]
fn the_foot_and_menus_are_not_cut_off() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    for width in 40..=132 {
        let seen = screen(&mut app, width, 24);
        let foot = seen.lines().last().unwrap();
        assert!(foot.starts_with("? help  space play"), "{foot}");
        let known = ["help", "play", "next", "time", "water", "operator", "faults", "pane", "speed", "panel", "clock"];
        let known = known.iter().chain(&["power", "contacts", "save", "leave"]);
        assert!(known.into_iter().any(|word| foot.ends_with(word)), "{width}: {foot}");
    }
    for key in ["f", "c", "o", "w", "p", "k"] {
        type_keys(&mut app, key);
        let menu = app.menu.clone().unwrap();
        for (words, _) in &menu.items {
            let place = menu.items.iter().position(|(text, _)| text == words).unwrap();
            app.menu.as_mut().unwrap().cursor = place;
            let seen = screen(&mut app, 80, 24);
            let last = words.split(' ').next_back().unwrap();
            let rows: Vec<_> = seen.lines().filter(|row| row.contains('│')).collect();
            assert!(rows.iter().any(|row| row.contains(last)), "{words}\n{seen}");
        }
        press(&mut app, KeyCode::Esc);
    }
}

/// Faults and contacts are offered in plain words, each with its code beside it that a scenario would use.
#[test]
fn menus_of_faults_and_contacts_speak_plainly() {
    let mut app = app(false);
    type_keys(&mut app, "f");
    let faults = app.menu.take().unwrap();
    assert!(faults.items.iter().any(|(words, _)| words == "it jams once it comes to backwash [jams-in:backwash]"));
    for (words, choice) in &faults.items {
        let (plain, code) = words.trim_end_matches(']').rsplit_once(" [").expect("words and a code");
        assert!(plain.split(' ').count() > 2, "{words}");
        let Choice::Happen(Deed::Fault { valve: WhichValve::Tank(TankId(0)), fault, .. }) = choice else {
            panic!("{choice:?}")
        };
        assert_eq!(code.parse::<Fault>(), Ok(*fault));
    }
    // All kinds that this valve can have are there.
    for spelling in Fault::SPELLINGS {
        let fault: Fault = spelling.parse().unwrap();
        let can_have = app.session.world().unwrap().valves()[0].clone().arm(fault).is_ok();
        let offered = faults.items.iter().any(|(words, _)| words.contains(&format!("[{}", fault.name())));
        assert_eq!(offered, can_have, "{spelling}");
    }
    type_keys(&mut app, "c");
    choose(&mut app, "close the hardness monitor: hard water is seen [sensor]");
    assert!(app.session.is_closed(Contact::Sensor));
    assert!(screen(&mut app, 80, 24).contains("contacts closed: hardness monitor [sensor]"));
    type_keys(&mut app, "c");
    choose(&mut app, "open the hardness monitor again [sensor]");
    assert!(!app.session.is_closed(Contact::Sensor));
}

/// W2, W3: an alarm tells since when it stands, whether it is acknowledged, what happened, what is done and what to look
/// at; acknowledged and over it is gone.
#[test]
fn an_alarm_tells_what_a_panel_tells() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    type_keys(&mut app, "k");
    choose(&mut app, "it is lost");
    app.session.advance(HOUR_MS + 60_000).unwrap();
    let alarms = View::of(&app.session, 0).alarms;
    let clock = alarms.iter().find(|alarm| alarm.code == "clock-unset").expect("it stands");
    assert_eq!(clock.state, "notice · since day 1 01:00:00 · not acknowledged");
    let texts = (Alarm::ClockUnset.happened(), Alarm::ClockUnset.done(), Alarm::ClockUnset.look());
    assert_eq!((clock.happened, clock.done, clock.look), texts);
    type_keys(&mut app, "o");
    choose(&mut app, "acknowledge: The civil time is unknown. [clock-unset]");
    let state = |app: &App| View::of(&app.session, 0).alarms.first().map(|alarm| alarm.state.clone());
    assert_eq!(state(&app).as_deref(), Some("notice · since day 1 01:00:00 · acknowledged"));
    type_keys(&mut app, "k");
    choose(&mut app, "set it right: 2027-03-01 01:01:00");
    app.session.advance(HOUR_MS + 120_000).unwrap();
    assert_eq!(state(&app), None);
}

/// T1: a clock that is lost is set to a date and time; what is no time is said to be none, with what would be right.
#[test]
fn a_lost_clock_is_set_to_a_date_and_time() {
    let mut app = app(false);
    app.session.advance(HOUR_MS).unwrap();
    type_keys(&mut app, "k");
    choose(&mut app, "it is lost");
    type_keys(&mut app, "k");
    let offered: Vec<_> = app.menu.as_ref().unwrap().items.iter().map(|(words, _)| words.as_str()).collect();
    assert_eq!(offered, ["set it to a date and time", "set it right: 2027-03-01 01:00:00"]);
    choose(&mut app, "set it to a date and time");
    assert_eq!(app.ask.as_ref().map(|ask| ask.text.as_str()), Some("2027-03-01 01:00:00"));
    for (wrong, why) in [
        ("2027-02-30 10:00", "February 2027 has 28 days, and no day 30"),
        ("2027-13-01 10:00", "there is no month 13"),
        ("1999-01-01 10:00", "the year 1999 is not from 2000 to 2099"),
        ("2027-03-01 25:00", "the day goes from 00:00 to 23:59"),
        ("2027-03-01 10:00+01:00", "without a zone"),
        ("now", "`now` is no date"),
        ("", "is no date"),
    ] {
        press(&mut app, KeyCode::Delete);
        type_keys(&mut app, wrong);
        press(&mut app, KeyCode::Enter);
        let seen = screen(&mut app, 80, 24);
        let told: String = app.ask.as_ref().expect("it is still asked").wrong.clone();
        assert!(told.contains(why), "{wrong}: {told}");
        assert!(seen.contains("write it as"), "{seen}");
    }
    press(&mut app, KeyCode::Delete);
    type_keys(&mut app, "2031-12-24 18:30");
    press(&mut app, KeyCode::Enter);
    assert!(app.ask.is_none());
    app.session.advance(HOUR_MS + 60_000).unwrap();
    assert_eq!(View::of(&app.session, 0).civil, "2031-12-24 18:31:00");
    let again = app.session.scenario();
    assert!(again.contains("clock = \"2031-12-24T18:30:00\""), "{again}");
}
