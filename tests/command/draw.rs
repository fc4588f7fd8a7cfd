//! `lowgear draw`.

use super::schema::shipped;
use crate::sandbox::{Sandbox, repository, run_in};
use lowgear_train::schema::FileKind;

#[test]
fn it_draws_every_shipped_course() {
    let place = Sandbox::new();
    let picture = place.path("course.svg");
    for (file, text) in shipped().into_iter().filter(|(_, text)| FileKind::of(text) == FileKind::Course) {
        let arguments = ["draw".as_ref(), file.as_os_str(), "--out".as_ref(), picture.as_os_str()];
        let out = run_in(&repository().join("configs"), &arguments).done().out;
        assert!(out.contains(" m, n = "), "{out}");
        let svg = place.read("course.svg");
        for words in ["distance, m", "n = ", " m long", "</svg>"] {
            assert!(svg.contains(words), "{}: no {words:?}", file.display());
        }
        assert_eq!(svg.contains("elevation, m"), !text.contains("flat-share = 1.0"), "{}", file.display());
        assert_eq!(svg.contains("obstacle, mm"), !out.contains("n = 0 "), "{}", file.display());
    }
}

#[test]
fn another_episode_or_seed_of_random_ground_is_another_picture() {
    let place = Sandbox::new();
    for (out, seed, episode) in
        [("a.svg", "1", "2"), ("b.svg", "1", "2"), ("c.svg", "1", "3"), ("d.svg", "2", "2")]
    {
        place.run(&["draw", "course.toml", "--seed", seed, "--episode", episode, "--out", out]).done();
        let origin = format!("random, seed {seed}, episode {episode}");
        assert!(place.read(out).contains(&origin));
    }
    assert_eq!(place.read("a.svg"), place.read("b.svg"));
    assert_ne!(place.read("a.svg"), place.read("c.svg"));
    assert_ne!(place.read("a.svg"), place.read("d.svg"));
}

#[test]
fn a_measured_profile_says_so() {
    let place = Sandbox::new();
    place.write("shed.csv", "distance_m,elevation_m,surface\n0,0,path\n1,0.1,path\n3,0.1,path\n");
    place.write(
        "shed.toml",
        "name = \"shed\"\nprofile = \"shed.csv\"\n[[surfaces]]\nname = \"path\"\nrolling = 0.03\nfriction = 0.8\n",
    );
    let out = place.run(&["draw", "shed.toml", "--out", "shed.svg"]).done().out;
    assert!(out.contains("measured, shed.csv, 3.0 m"), "{out}");
}

#[test]
fn what_is_no_course_is_refused() {
    let place = Sandbox::new();
    place.run(&["draw", "vehicle.toml"]).refused(2, &["vehicle.toml"]);
    place.run(&["draw", "absent.toml"]).refused(3, &["absent.toml", "hint:"]);
}
