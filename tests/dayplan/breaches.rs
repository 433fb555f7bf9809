//! One planted breach for each rule: what it changes in a sound plan, and the rule that it breaks.

use xylocast::plan::day::{Act, Deed, Hung, Left, Plan, Problem, Why};

/// Plants a breach; tells whether this plan has a place for it.
type Plant = fn(&mut Problem, &mut Plan) -> bool;

fn act(plan: &mut Plan, deed: Deed) -> Option<&mut Act> {
    plan.people.iter_mut().flatten().find(|act| act.deed == deed)
}

fn drop_first(acts: &mut Vec<Act>, deed: Deed) -> bool {
    let at = acts.iter().position(|act| act.deed == deed);
    at.map(|at| acts.remove(at)).is_some()
}

fn dropped(plan: &mut Plan, deed: Deed) -> bool {
    plan.people.iter_mut().any(|acts| drop_first(acts, deed))
}

fn with(found: Option<&mut Act>, change: impl FnOnce(&mut Act)) -> bool {
    found.map(change).is_some()
}

/// The breaches, by the name of the rule as the checker tells it.
pub const BREACHES: [(&str, Plant); 31] = [
    ("People", |_, plan| plan.people.pop().is_some()),
    ("Nowhere", |problem, plan| with(act(plan, Deed::Set), |act| act.at = problem.trees.len() + 3)),
    ("Backwards", |_, plan| with(act(plan, Deed::Strip), |act| act.to = act.from - 1)),
    ("TwoAtOnce", |_, plan| {
        let acts = plan.people.iter_mut().find(|acts| acts.len() > 3);
        acts.map(|acts| acts[2].from = acts[0].from).is_some()
    }),
    ("OutsideDay", |problem, plan| {
        let end = plan.people.iter().flatten().map(|act| act.to).max().unwrap_or(0);
        problem.people.iter_mut().for_each(|person| person.to = end - 1);
        end > 1
    }),
    ("NotThere", |_, plan| dropped(plan, Deed::Walk)),
    ("WalkTime", |_, plan| {
        with(act(plan, Deed::Walk), |act| act.from = (act.from + 1).min(act.to + 1))
    }),
    ("NoBreak", |problem, plan| {
        // Whoever is done before the break could begin needs none.
        let latest = problem.breaks.iter().map(|pause| pause.latest).max();
        let works_on = |acts: &Vec<Act>| {
            acts.iter().any(|act| act.deed != Deed::Break && Some(act.to) > latest)
        };
        plan.people
            .iter_mut()
            .filter(|acts| works_on(acts))
            .any(|acts| drop_first(acts, Deed::Break))
    }),
    ("WrongBreak", |problem, plan| {
        problem.breaks.clear();
        act(plan, Deed::Break).is_some()
    }),
    ("TreeCount", |_, plan| plan.draws.pop().is_some()),
    ("TreeCount", |_, plan| {
        let tree = plan.draws.first().map(|draw| draw.tree);
        plan.left.extend(tree.map(|tree| Left { tree, why: Why::NotReached }));
        tree.is_some()
    }),
    ("HungLeft", |problem, plan| {
        let Some(left) = plan.left.first() else { return false };
        problem.trees[left.tree].hung =
            Some(Hung { kit: 0, person: 0, started: 0, look_by: 0, strip_from: None, wet: false });
        true
    }),
    ("Misreported", |_, plan| {
        plan.draws.first_mut().map(|draw| draw.p50 = draw.p50.map(|at| at - 1)).is_some()
    }),
    ("Misreported", |_, plan| plan.draws.first_mut().map(|draw| draw.start += 1).is_some()),
    ("MayNotSet", |problem, plan| {
        let Some(draw) = plan.draws.first() else { return false };
        problem.people[draw.person].may_set = false;
        true
    }),
    ("SetTime", |problem, plan| {
        let Some(draw) = plan.draws.first() else { return false };
        problem.steps.set_min[draw.tree] += 1;
        true
    }),
    ("LeakCheck", |_, plan| dropped(plan, Deed::LeakCheck)),
    ("ClosedStart", |problem, plan| {
        let Some(draw) = plan.draws.first() else { return false };
        let why = "rain".to_owned();
        problem.closed.push(xylocast::plan::day::Closed {
            from: draw.start,
            to: draw.start + 1,
            why,
        });
        true
    }),
    ("KitTooSmall", |problem, plan| {
        let Some(draw) = plan.draws.first() else { return false };
        problem.kits[draw.kit].ports = problem.trees[draw.tree].ports - 1;
        true
    }),
    ("KitTwice", |problem, plan| {
        let [one, other, ..] = plan.draws.as_mut_slice() else { return false };
        other.kit = one.kit;
        problem.kits[one.kit].ports = 40;
        true
    }),
    ("NoSuchKit", |_, plan| plan.draws.first_mut().map(|draw| draw.kit = 999).is_some()),
    ("TooEarly", |problem, plan| {
        // The same strip, of a bag that is now believed to take a minute longer.
        let strips = plan.people.iter().flatten().filter(|act| act.deed == Deed::Strip);
        let latest = strips.max_by_key(|act| act.from);
        let Some((tree, from)) = latest.map(|act| (act.at, act.from)) else { return false };
        for knot in &mut problem.trees[tree].drawdown {
            knot.sure = Some(knot.sure.unwrap_or(from + 1).max(from + 1));
        }
        true
    }),
    ("VisitTime", |problem, plan| {
        problem.steps.strip_min += 1;
        act(plan, Deed::Strip).is_some()
    }),
    ("Refills", |_, plan| dropped(plan, Deed::Refill)),
    ("NotStripped", |_, plan| dropped(plan, Deed::Strip)),
    ("MayNotStay", |problem, plan| {
        let Some(draw) = plan.draws.iter().find(|draw| draw.overnight) else { return false };
        problem.trees[draw.tree].overnight_until = None;
        true
    }),
    ("NotEmpty", |problem, plan| {
        let empty = plan.draws.iter().filter(|draw| !draw.overnight).filter_map(|draw| draw.sure);
        let Some(last) = empty.max() else { return false };
        problem.done_by = last - 1;
        true
    }),
    ("NoLook", |problem, plan| {
        plan.people.iter_mut().for_each(|acts| acts.retain(|act| act.deed != Deed::Look));
        problem.steps.second_look_min = 0;
        problem.steps.look_slack_min = 0;
        !plan.draws.is_empty()
    }),
    ("LookAtNothing", |_, plan| {
        let Some(strip) = act(plan, Deed::Strip).cloned() else { return false };
        for acts in &mut plan.people {
            if let Some(at) = acts.iter().position(|act| *act == strip) {
                let late = Act { deed: Deed::Look, from: strip.to, to: strip.to, at: strip.at };
                acts.insert(at + 1, late);
                return true;
            }
        }
        false
    }),
    ("NoLastLook", |problem, plan| {
        let Some(draw) = plan.draws.iter().find(|draw| draw.overnight) else { return false };
        let (person, tree) = (draw.person, draw.tree);
        let acts = &mut plan.people[person];
        acts.retain(|act| act.deed != Deed::Look || act.at != tree);
        problem.steps.check_every_min = 10_000;
        problem.steps.second_look_min = 10_000;
        true
    }),
    ("WrongReason", |_, plan| {
        plan.left
            .first_mut()
            .map(|left| {
                left.why = match left.why {
                    Why::NoSuchKit => Why::NotReached,
                    _ => Why::NoSuchKit,
                }
            })
            .is_some()
    }),
];
