"""What the groups of the invented class say. All of it is made up; no student wrote any of this."""

#: Reasons of the first answers: question: choice: texts.
REASONS = {
    "two-magnets": {
        "same": (
            "Aluminium is not magnetic. We tried it with a can at home and the magnet fell off.",
            "The magnets don't touch the disc so they can't slow it down.",
            "It only depends on how hard you push.",
        ),
        "half": (
            "Two magnets brake twice as much, so it takes half the time.",
            "Double the magnets, half the time. It's like sharing.",
            "If one magnet takes its energy away in 38 s then two need 19 s.",
            "Twice the force means it stops twice as fast.",
            "We think it is inversely proportional because more braking is less time.",
            "Half, because there are now 2 and 38 / 2 = 19.",
            "Each magnet takes the same energy per second, so with two it is used up in half the time.",
            "It is like two people pulling instead of one.",
            "We had this rule in maths: more workers, less time.",
            "One brake, 38 s. Two brakes, 19 s.",
            "The brake doubles. We don't see what else there could be.",
            "Because 2 times 19 is 38.",
            "Everything else stays the same, only the magnets double.",
        ),
        "less-than-half": (
            "Two magnets make each other stronger, like when you stick them together.",
            "The field gets more than double because they add up and also pull on each other.",
            "Braking always gets worse the more there is, like two people on one bike brake.",
        ),
        "between": (
            "It also rubs at the spindle, and that does not get doubled.",
            "Not quite half since the spindle and the air were there before.",
            "It would stop even with no magnets, so the second one is not everything.",
            "The first magnet has the biggest effect, the next ones do less each.",
            "Doubling never works out exactly in real life. So a bit more than half.",
            "We think of a bike: if you pull a second brake it stops sooner but not in half the way.",
        ),
        "fixed-step": (
            "Each magnet takes away the same amount, maybe 10 s each.",
            "It goes down in a straight line like when you take the same step every time.",
            "One magnet takes a bit off, so two take two bits off.",
        ),
    },
    "turns": {
        "same": (
            "We push it the same, so it has the same number of turns in it.",
            "It has to use up its push, only quicker.",
            "The turns come from the start speed and that is the same.",
            "How often it goes round depends on the push, the magnets only change how long it takes.",
            "Less time, but then it also turns faster for that time. It evens out.",
            "We think turns don't care about time.",
        ),
        "half": (
            "It goes down but not as much as the time because it is fast at the start.",
            "Turns are less affected than time. We guessed a half.",
            "The magnets only matter when it is fast, so later turns are normal.",
            "Something between the same and a quarter.",
            "Most turns happen at the start, and those it still makes.",
            "The square root of a quarter is a half. We just had that in maths.",
            "It can't be as bad as for the time.",
        ),
        "quarter": (
            "It slows through the same speeds, only four times quicker, so a quarter.",
            "Turns are speed times time. The average speed stays the same.",
            "If the time is a quarter and it starts and stops at the same speed, the turns are a quarter too.",
            "A quarter of the time gives a quarter of the turns.",
            "Time and turns belong together. If one gets less the other does too, the same.",
            "We drew it: the speed line gets four times steeper, so the area is a quarter.",
            "It starts at the same speed and ends at rest. Only the time between is shorter.",
            "If you film it and play it four times faster you see a quarter of the turns in the time.",
            "Turns = speed x time and we only changed the time.",
            "Less time, less turns, we guess by the same amount.",
            "Because per second it makes the same turns on average.",
        ),
        "sixteenth": (
            "It has a quarter of the time and it is also four times slower, so 1/16.",
            "Less time and less speed: you have to multiply both.",
        ),
    },
}

#: Reasons after the discussion.
LATER = {
    "two-magnets": {
        "same": (
            "We stay with it. Nobody could say how a magnet holds aluminium.",
            "Still the same. Aluminium is not a magnet.",
        ),
        "half": (
            "We still think half. The others said the spindle but that is tiny.",
            "Half, it is the simplest rule.",
            "Nobody could tell us how big the other part is, so we leave it out.",
            "Maybe it is 19 and a little bit. That is half for us.",
            "Two of us wanted to change, two not. We stay.",
            "We did the sum again: 38 / 2.",
            "The spindle runs so well that it does not count.",
            "Half. The other group only guessed too.",
            "If it was not half there would have to be something else that brakes.",
        ),
        "less-than-half": ("We think the fields add up more.",),
        "between": (
            "The other group said it also rubs without magnets. Then doubling the magnets can't halve it.",
            "With no magnet it would not go on for ever. So one magnet is not the whole brake.",
            "The spindle counts like another bit of magnet, so it's less than double the brake.",
            "There are three brakes: magnet, magnet, spindle. Before there were two. So not half.",
            "We forgot the friction. Only the magnet part doubles.",
            "Someone asked what happens with no magnet. It stops anyway. So it is more than 19 s.",
            "The air and the spindle stay the same when you add a magnet.",
            "It must be longer than half because one part of the brake did not get bigger.",
            "We worked it out with numbers: if the spindle is 1 and a magnet 2, it goes from 3 to 5, not to 6.",
            "A bit more than 19 s. They convinced us with the empty disc.",
            "The disc slows down without magnets too. That was the best argument.",
            "Because the first magnet was not alone, the spindle helped it.",
            "We are still half sure, but the friction argument is good.",
            "Double would need double of everything that brakes.",
        ),
        "fixed-step": ("A straight line is still the best guess.",),
    },
    "turns": {
        "same": (
            "We still say it has the same turns in it.",
            "The push decides. The others could not explain why not.",
            "Same turns, only quicker one after the other.",
            "We stay with the push.",
            "Turns are turns.",
        ),
        "half": (
            "Somewhere in the middle.",
            "We can't decide between the same and a quarter, so a half.",
            "It loses the slow turns at the end, that is about half of them.",
            "Half again, but we are less sure now.",
        ),
        "quarter": (
            "Same start speed, same stop speed, so the average is the same. A quarter of the time: a quarter.",
            "Somebody drew the speed going down. The triangle is four times narrower.",
            "The average speed can't change if start and stop don't.",
            "It is the film trick: play it faster and count.",
            "Turns follow the time because the speeds are all the same ones.",
            "Every speed lasts a quarter as long, so at every speed it makes a quarter of the turns.",
            "We stay with a quarter. Now we can also say why: same speeds.",
            "Add up small pieces: each piece is a quarter as long.",
            "The drawing on the board made it clear.",
            "First we thought the push counts, but the push only sets the start.",
            "Less time at the same speeds.",
            "It has to be the same as for time or the mean speed would change.",
            "A quarter. The others said sixteenth but then it would have to start slower.",
        ),
        "sixteenth": (
            "Both get less, so it multiplies.",
            "Speed a quarter and time a quarter makes a sixteenth.",
            "We stay: slower and shorter.",
            "Someone said the speed is the same but it brakes, so it is not.",
            "It multiplies like with areas.",
        ),
    },
}

#: Reasons at the end, of the question about two magnets.
AT_END = {
    "between": (
        "Our runs came out above half. The spindle brakes like about half a magnet of its own.",
        "We measured it: more than half, in all three trials.",
        "It is clearly over 19 s, by far more than the scatter.",
        "One over magnets did not fit, one over magnets plus a bit did.",
        "Between. The brake without magnets is there all the time.",
        "Our data say about 60 % of the time with one magnet.",
        "The curve would be half if the spindle did nothing. It does something.",
        "Not half. We were sure before and it was not so.",
        "All groups got more than 19 s.",
        "Because time = number / (magnets + about 0.6).",
        "The three dots for two magnets are all above the line for half.",
        "We saw it in the table: going from 1 to 2 magnets is less than halving.",
        "The friction argument from the discussion fits the data.",
        "With many magnets it is nearly halving, with few it is not. So the spindle counts.",
        "Between, and the averages of the others agree with ours.",
        "We set no trial aside and all of them were above 19 s.",
        "The average is 23 s and the uncertainty is small.",
        "You can see the half magnet in the trend.",
    ),
    "half": (
        "Our values are near half. We think the rest is scatter.",
        "Half, if you leave the friction out.",
    ),
    "same": ("It did get shorter, but we are not sure why.",),
    "less-than-half": ("It was not less than half with our disc, but close.",),
    "fixed-step": (
        "The steps get smaller, but at the start it looks straight.",
        "From 1 to 2 to 3 you could draw a line. We had only four conditions.",
    ),
}

SEEN = (
    "At first it goes fast and you can't count. Then it gets slow and the last turns take very long.",
    "All curves look the same but the ones with many magnets are squeezed together.",
    "The more magnets the steeper. With 12 it is over very soon.",
    "The turn period goes up slowly and at the end quickly.",
    "One run has two points where there should be one. The kit marked it.",
)

CLAIMS = (
    "More magnets make it coast for a shorter time, but twice as many do not quite halve it.",
    "The coasting time goes like one over the number of magnets plus a bit.",
    "Time and turns fall in the same way when you add magnets.",
    "The coasting time depends on the magnets and on the spindle together.",
)

REASONING = (
    "Each magnet brakes in step with speed. The spindle brakes as well, so the brake is never zero. "
    "Time is one over the whole brake.",
    "If only the magnets braked, time times magnets would always give the same number. It does not: it grows.",
    "The start and stop speeds are the same for all, so the mean speed is too and turns follow the time.",
)

REBUTTALS = (
    "Somebody could say it was the pushes. But counting starts at the same speed for all.",
    "The spindle may get warm and run easier later. We did not do the runs in order of magnets.",
    "We have only three trials each, so the last digits are not sure.",
    "",
)
