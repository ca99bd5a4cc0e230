//! Learning against drawn chips: what is seen of each operation follows from its time and the plan alone.

use super::*;

const LOOK: Duration = Duration::from_nanos(1600);
const OVERHEAD: Duration = Duration::from_micros(30);

fn us(time: u64) -> Duration {
    Duration::from_micros(time)
}

fn timing(typical: u64, max: u64) -> Timing {
    Timing {
        typical: us(typical),
        max: us(max),
    }
}

/// One program as an armed chip makes it: messages, and the time of the look that found it ready.
fn program(learnt: &mut Learnt, time: Duration) -> (usize, Duration) {
    let plan = learnt.plan();
    let (mut messages, mut busy, mut ready) = (1, Duration::ZERO, None);
    let mut now = Duration::ZERO;
    for at in plan.looks(LOOK, 4) {
        match time <= at {
            true => ready = ready.or(Some(at)),
            false => busy = at,
        }
        now = at + LOOK;
    }
    let mut pause = Duration::ZERO;
    while ready.is_none() {
        now += pause + OVERHEAD + LOOK;
        messages += 1;
        assert!(messages < 1000, "{time:?} {plan:?}");
        match time <= now {
            true => ready = Some(now),
            false => busy = now,
        }
        pause = plan.pause(now);
    }
    learnt.saw(&plan, busy, ready.unwrap());
    (messages, now)
}

/// One erase: each look is a message, and they begin at the earliest.
fn erase(learnt: &mut Learnt, time: Duration) -> (usize, Duration) {
    let plan = Plan {
        asks: true,
        ..learnt.plan()
    };
    let (mut messages, mut busy, mut now) = (0, Duration::ZERO, plan.first);
    loop {
        now += OVERHEAD + LOOK;
        messages += 1;
        if time <= now {
            break;
        }
        busy = now;
        assert!(messages < 1000, "{time:?} {plan:?}");
        now += plan.pause(now);
    }
    learnt.saw(&plan, busy, now);
    (messages, now)
}

/// The sum of two draws apart from the chip's own time by up to 4 %, one in 64 far off.
fn drawn(random: &mut fastrand::Rng, timing: Timing, location: f64) -> Duration {
    let max = timing.max.max(timing.typical.mul_f64(location));
    if random.f64() < 1.0 / 64.0 {
        return timing.typical + (max - timing.typical).mul_f64(random.f64().powi(2));
    }
    let apart = 1.0 + 0.04 * (random.f64() + random.f64() - 1.0);
    timing
        .typical
        .mul_f64(location * apart)
        .min(timing.max * 3 / 2)
}

#[test]
fn what_nothing_is_known_of_is_looked_at_up_to_the_typical_time() {
    let plan = Learnt::new(timing(700, 3000), MESSAGE).plan();
    assert_eq!((plan.first, plan.settle), (us(350), us(700)));
    let looks = plan.looks(LOOK, 4);
    assert_eq!(looks.len(), 4);
    assert_eq!((looks[0], looks[3]), (us(350), us(700)));
    // What a look takes leaves no room for more than one before the last.
    assert_eq!(plan.looks(us(90), 4), [us(350), us(700)]);
    assert_eq!(plan.looks(us(400), 4), [us(700)]);
    assert_eq!(plan.looks(LOOK, 1), [us(700)]);
}

/// Messages and time of the last programs and erases of chips that are twice as quick up to three times as slow
/// as typical.
#[test]
fn it_converges_on_any_chip() {
    for seed in 0..60 {
        let mut random = fastrand::Rng::with_seed(seed);
        let timing = timing(random.u64(150..1200), 6000);
        let location = 0.5 + 2.5 * random.f64();
        let mut learnt = Learnt::new(timing, MESSAGE);
        let (mut messages, mut took, mut least) = (0, Duration::ZERO, Duration::ZERO);
        for number in 0..400 {
            let time = drawn(&mut random, timing, location);
            let (more, now) = program(&mut learnt, time);
            if number >= 16 {
                messages += more;
                took += now + us(200);
                least += time + us(200) + OVERHEAD * (more as u32 - 1);
            }
        }
        let each = messages as f64 / 384.0;
        let over = took.as_secs_f64() / least.as_secs_f64();
        assert!(
            each < 1.6 && over < 1.05,
            "{seed}: {each} {over} {location}"
        );
    }
}

#[test]
fn erases_are_found_ready_soon_and_with_few_looks() {
    for seed in 0..40 {
        let mut random = fastrand::Rng::with_seed(seed);
        let timing = timing(45_000, 400_000);
        let location = 0.5 + 2.5 * random.f64();
        let mut learnt = Learnt::new(timing, MESSAGE);
        let (mut messages, mut took, mut least) = (0, Duration::ZERO, Duration::ZERO);
        for number in 0..64 {
            let time = drawn(&mut random, timing, location);
            let (more, now) = erase(&mut learnt, time);
            if number >= 4 {
                (messages, took, least) = (messages + more, took + now, least + time);
            }
        }
        let over = took.as_secs_f64() / least.as_secs_f64();
        assert!(
            messages < 60 * 24 && over < 1.03,
            "{seed}: {messages} {over}"
        );
    }
}

/// A chip that becomes slower is followed within four operations, one that becomes quicker within sixteen.
#[test]
fn another_pace_is_followed() {
    for (before, after, within) in [(700, 1400, 4), (700, 2100, 4), (700, 400, 32)] {
        let mut learnt = Learnt::new(timing(700, 3000), MESSAGE);
        for _ in 0..50 {
            program(&mut learnt, us(before));
        }
        for _ in 0..within {
            program(&mut learnt, us(after));
        }
        let settle = learnt.plan().settle;
        let near = us(after)..=us(after * 5 / 4);
        assert!(near.contains(&settle), "{after}: {settle:?}");
    }
}

/// One that is far off teaches nothing, the very first neither.
#[test]
fn one_far_off_changes_nothing() {
    let mut learnt = Learnt::new(timing(700, 3000), MESSAGE);
    for number in 0..40 {
        let far = number % 16 == 0;
        program(&mut learnt, us(if far { 3000 } else { 600 }));
        let settle = learnt.plan().settle;
        assert!(settle <= us(720), "{number}: {settle:?}");
    }
}

/// Whatever was seen, no plan leaves the part's bounds or leads to a look without end.
#[test]
fn no_plan_is_out_of_bounds() {
    for seed in 0..300 {
        let mut random = fastrand::Rng::with_seed(seed);
        let typical = random.u64(0..5000);
        let timing = timing(typical, [0, typical, 4 * typical][random.usize(..3)]);
        let mut learnt = Learnt::new(timing, MESSAGE);
        for _ in 0..50 {
            let plan = learnt.plan();
            let max = timing.max.max(timing.typical);
            let most = (max + max / 2).max(us(1));
            let least = (timing.typical / 16).max(us(1));
            assert!(
                plan.settle <= most && plan.settle >= least,
                "{seed} {plan:?}"
            );
            assert!(
                plan.first <= plan.settle && plan.first >= least,
                "{seed} {plan:?}"
            );
            for count in 1..6 {
                let looks = plan.looks(LOOK, count);
                assert_eq!(looks.last(), Some(&plan.settle));
                assert!(
                    looks.len() <= count && looks.is_sorted(),
                    "{seed} {looks:?}"
                );
            }
            let mut any = || us(random.u64(0..20_000));
            let (busy, ready) = (any(), any());
            assert!(plan.pause(busy) <= PAUSE_MAX);
            learnt.saw(
                &plan,
                if ready < busy { Duration::ZERO } else { busy },
                ready,
            );
        }
    }
}

/// Which one of eight is asked about, once all is known, and every one behind a late one.
#[test]
fn what_is_known_is_not_asked_each_time() {
    let mut learnt = Learnt::new(timing(700, 3000), MESSAGE);
    for _ in 0..100 {
        program(&mut learnt, us(600));
    }
    let asked: Vec<bool> = (0..18)
        .map(|_| {
            let asks = learnt.plan().asks;
            program(&mut learnt, us(600));
            asks
        })
        .collect();
    assert_eq!(asked.iter().filter(|asks| **asks).count(), 2, "{asked:?}");
    program(&mut learnt, us(2500));
    assert!(learnt.plan().asks);
}
