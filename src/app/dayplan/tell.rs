//! A plan in words and local times.

use super::again::Kept;
use super::lay::Laid;
use super::{DayPlan, Doing, KitDay, LeftTree, Odds, PersonDay, Shut, TreeDay, WhatIf};
use crate::app::cautions::{self, Caution};
use crate::app::desk::Desk;
use crate::app::overnight::leave;
use crate::app::rests::{counted, estimated, model_words};
use crate::app::sentence::RENEW;
use crate::app::window::{clock_time, local_time};
use crate::plan::day::{Act, Deed, Draw, Plan, Score};
use crate::plan::overnight::Call;
use crate::plan::percent;

/// The plan as people read it.
pub fn told(
    desk: &Desk,
    laid: &Laid,
    plan: &Plan,
    score: Score,
    odds: Option<Odds>,
    what_if: Vec<WhatIf>,
    changes: Option<Vec<String>>,
) -> DayPlan {
    let settings = &desk.grove.settings;
    let local = |minute: i32| local_time(desk, laid.at(minute));
    let trees: Vec<TreeDay> = plan.draws.iter().map(|draw| tree(desk, laid, plan, draw)).collect();
    let left: Vec<LeftTree> = plan
        .left
        .iter()
        .map(|left| LeftTree { tree_id: id(desk, laid, left.tree), why: left.why.words() })
        .collect();
    DayPlan {
        answer: answer(desk, laid, plan, &score, odds.as_ref()),
        worth_it: !plan.draws.is_empty(),
        grove: settings.name.clone(),
        date: laid.date,
        time_zone: settings.zone.name().into(),
        is_demo: desk.is_demo,
        sure: settings.wishes.sure,
        latest_done: local(laid.problem.done_by),
        score,
        ends: (!plan.draws.is_empty()).then(|| local(score.end)),
        people: people(desk, laid, plan),
        kits: kits(desk, laid, plan),
        closed: laid
            .problem
            .closed
            .iter()
            .map(|shut| Shut {
                from: local(shut.from),
                to: local(shut.to),
                why: shut.why.clone(),
                at: [laid.at(shut.from), laid.at(shut.to)],
            })
            .collect(),
        odds,
        what_if,
        changes,
        cautions: cautions_of(desk, laid, &trees),
        rests_on: rests_on(desk, laid),
        trees,
        left,
        kept: Kept::of(desk, laid, plan),
    }
}

fn id(desk: &Desk, laid: &Laid, tree: usize) -> String {
    desk.grove.trees[laid.hangs[tree].tree].id.clone()
}

fn person(which: usize) -> String {
    format!("person {}", which + 1)
}

fn answer(desk: &Desk, laid: &Laid, plan: &Plan, score: &Score, odds: Option<&Odds>) -> String {
    let listed = laid.problem.trees.len();
    let empty = listed - score.not_empty;
    let clock = |minute: i32| clock_time(desk, laid.at(minute));
    if laid.outlook.hours.is_empty() {
        let hanging = match plan.draws.len() {
            0 => String::new(),
            count => format!(
                " Below are the looks at {}.",
                counted(count, "hanging bag", "hanging bags")
            ),
        };
        return format!(
            "Not known: there is no weather for {}, so no start can be planned. {RENEW}{hanging}",
            laid.date
        );
    }
    if plan.draws.is_empty() {
        let why = plan.left.first().map_or("nothing is on the list", |left| left.why.words());
        return format!("Nobody hangs a bag that day: {why}.");
    }
    let wish = (100.0 * desk.grove.settings.wishes.sure).round();
    let mut words = format!(
        "{empty} of {} empty by {} ({wish} % sure, each alone), the crew done at {}",
        counted(listed, "tree", "trees"),
        clock(laid.problem.done_by),
        clock(score.end)
    );
    if score.overnight > 0 {
        words += &format!(", {} to stay overnight", counted(score.overnight, "bag", "bags"));
    }
    if !plan.left.is_empty() {
        words += &format!(", {} left for another day", plan.left.len());
    }
    if let Some(odds) = odds {
        words += &format!("; {} that all goes so", percent(odds.p_all_done));
    }
    words + "."
}

fn tree(desk: &Desk, laid: &Laid, plan: &Plan, draw: &Draw) -> TreeDay {
    let it = &laid.problem.trees[draw.tree];
    let hang = &laid.hangs[draw.tree];
    let local = |minute: i32| local_time(desk, laid.at(minute));
    let visits = |deed: Deed| {
        let acts = plan.people.iter().flatten();
        acts.filter(move |act| act.deed == deed && act.at == draw.tree)
    };
    let strip = visits(Deed::Strip).next();
    let wet = it.hung.as_ref().is_some_and(|hung| hung.wet);
    // What is believed of a bag that hangs already is in the time from which it may be stripped.
    let sure = match &it.hung {
        Some(hung) => hung.strip_from.filter(|_| !wet),
        None => draw.sure,
    };
    let fresh = |minute: Option<i32>| minute.filter(|_| it.hung.is_none()).map(local);
    TreeDay {
        tree_id: id(desk, laid, draw.tree),
        block: desk.grove.trees[hang.tree].block.clone(),
        ports: hang.ports,
        charge_ml: hang.charge.value() * f64::from(it.fillings),
        fillings: it.fillings,
        kit: laid.kit_places[draw.kit] + 1,
        person: person(draw.person),
        start: local(draw.start),
        hanging: it.hung.is_some(),
        empty_p50: fresh(draw.p50),
        empty_p90: fresh(draw.p90),
        empty_sure: sure.map(local),
        refills: visits(Deed::Refill).map(|act| local(act.from)).collect(),
        strip: strip.map(|act| local(act.from)),
        call: match (draw.overnight, wet) {
            (true, _) => Call::LeaveOvernight,
            (false, true) => Call::StripAtDusk,
            (false, false) => Call::FinishToday,
        },
        span: [
            Some(laid.at(draw.start)),
            draw.p50.filter(|_| it.hung.is_none()).map(|at| laid.at(at)),
            sure.map(|at| laid.at(at)),
            strip.map(|act| laid.at(act.from)),
        ],
    }
}

fn people(desk: &Desk, laid: &Laid, plan: &Plan) -> Vec<PersonDay> {
    plan.people
        .iter()
        .enumerate()
        .map(|(which, acts)| PersonDay {
            person: person(which),
            acts: doings(desk, laid, plan, acts),
            walking_min: acts
                .iter()
                .filter(|act| act.deed == Deed::Walk)
                .map(|act| act.to - act.from)
                .sum(),
        })
        .collect()
}

/// Acts without walks; a leak check belongs to its set, looks in a row are one round.
fn doings(desk: &Desk, laid: &Laid, plan: &Plan, acts: &[Act]) -> Vec<Doing> {
    let mut doings: Vec<(Deed, Doing)> = Vec::new();
    // Whoever waited in between begins another round.
    let mut walked = 0;
    for act in acts {
        let to = laid.at(act.to);
        if act.deed == Deed::Walk {
            walked = act.to - act.from;
            continue;
        }
        let arrived = laid.at(act.from - std::mem::take(&mut walked));
        if let Some((deed, last)) = doings.last_mut() {
            let looks_on = (*deed, act.deed) == (Deed::Look, Deed::Look) && arrived == last.at[1];
            let goes_on = act.deed == Deed::LeakCheck || looks_on;
            if goes_on {
                (last.to, last.at[1]) = (local_time(desk, to), to);
                if act.deed == Deed::Look {
                    last.trees.push(id(desk, laid, act.at));
                }
                continue;
            }
        }
        let draw = plan.draws.iter().find(|draw| draw.tree == act.at);
        let pause = laid
            .problem
            .breaks
            .iter()
            .find(|it| (it.from..=it.latest).contains(&act.from) && act.deed == Deed::Break);
        let runs = format!("bag runs at {}, stay for the leak check", clock_time(desk, to));
        let doing = Doing {
            what: word(act.deed),
            trees: match act.deed {
                Deed::Break => Vec::new(),
                _ => vec![id(desk, laid, act.at)],
            },
            from: local_time(desk, laid.at(act.from)),
            to: local_time(desk, to),
            kit: draw
                .filter(|_| matches!(act.deed, Deed::Set | Deed::Strip))
                .map(|it| laid.kit_places[it.kit] + 1),
            note: match act.deed {
                Deed::Set => Some(runs),
                Deed::Break => pause.map(|it| it.why.clone()).filter(|why| why != "break"),
                _ => None,
            },
            at: [laid.at(act.from), to],
        };
        doings.push((act.deed, doing));
    }
    doings.into_iter().map(|(_, doing)| doing).collect()
}

fn word(deed: Deed) -> &'static str {
    match deed {
        Deed::Walk => "walk",
        Deed::Set | Deed::LeakCheck => "set",
        Deed::Look => "check round",
        Deed::Refill => "refill",
        Deed::Strip => "strip",
        Deed::Break => "break",
    }
}

fn kits(desk: &Desk, laid: &Laid, plan: &Plan) -> Vec<KitDay> {
    (0..laid.problem.kits.len())
        .map(|kit| KitDay {
            kit: laid.kit_places[kit] + 1,
            ports: laid.problem.kits[kit].ports,
            trees: plan
                .draws
                .iter()
                .filter(|draw| draw.kit == kit)
                .map(|draw| id(desk, laid, draw.tree))
                .collect(),
        })
        .filter(|kit| !kit.trees.is_empty())
        .collect()
}

fn cautions_of(desk: &Desk, laid: &Laid, trees: &[TreeDay]) -> Vec<Caution> {
    // The day's cautions ask of a tree its id, whether it is started, and its call.
    let days: Vec<crate::app::tomorrow::TreeDay> = trees
        .iter()
        .map(|tree| crate::app::tomorrow::TreeDay {
            tree_id: tree.tree_id.clone(),
            block: tree.block.clone(),
            ports: tree.ports,
            charge_ml: tree.charge_ml,
            start: Some(tree.start.clone()),
            in_window: None,
            p10_min: None,
            p50_min: None,
            p90_min: None,
            empty_p10: None,
            empty_p50: None,
            empty_p90: None,
            p_in_time: None,
            p_empty_by_dusk: None,
            call: tree.call,
            because: String::new(),
        })
        .collect();
    cautions::of_day(desk, &laid.outlook, &days)
}

fn rests_on(desk: &Desk, laid: &Laid) -> Vec<String> {
    let settings = &desk.grove.settings;
    let habits = &settings.habits;
    let steps = &laid.problem.steps;
    let mut lines = vec![format!("weather: {}", laid.outlook.source.words)];
    lines.extend(estimated(&laid.outlook).into_iter().map(|words| format!("estimated: {words}")));
    lines.extend(model_words(desk));
    lines.push(format!(
        "per act: set {} min and {} for each port, leak check {} min, look {}, strip {}, refill {}, walk \
         {} to the next tree and {} to another block; all rounded up to whole minutes",
        settings.crew.set_min,
        settings.crew.per_port_min,
        steps.leak_check_min,
        steps.look_min,
        steps.strip_min,
        steps.refill_min,
        settings.crew.walk_min,
        habits.walk_blocks_min
    ));
    lines.push(format!(
        "looks: the second {} min after the start, then every {} min, at most {} min late, by the \
         person who set the bag",
        steps.second_look_min, steps.check_every_min, steps.look_slack_min
    ));
    let taken: Vec<&str> =
        settings.defaulted.iter().copied().filter(|key| key.starts_with("plan.")).collect();
    if !taken.is_empty() {
        let keys: Vec<&str> = taken.iter().map(|key| key.trim_start_matches("plan.")).collect();
        lines.push(format!(
            "common practice, no source, until you set them under [plan] in grove.toml: {}",
            keys.join(", ")
        ));
    }
    lines.extend(leave(desk).refusal().map(|why| format!("no bag may be left alone: {why}")));
    lines.push(
        "a bag counts as empty when it is with the wished sureness; the odds are a simulation in \
         which the trees share day and weather and the crew keeps to the plan's order"
            .into(),
    );
    lines.extend(laid.notes.iter().cloned());
    lines
}
