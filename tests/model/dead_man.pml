/* The dead-man: two controllers, a broker, a node and an operator, and whether a contact can stay closed too long.
 *
 * Time is counted in whole ticks. Each process has one turn a tick, the clock the last: time runs ahead of nobody, and
 * every turn is short, so nobody can hold it up but a process that waits for ever, which spin reports as a deadlock.
 * Another order within a tick is the same run with a command held back for a tick, which the broker may do anyway.
 * Times are ages, counted up to where more makes no difference: the states are finite, and spin visits every one.
 *
 * spin.py gives LEASE, RENEW and DRIFT [ticks] from the code's constants: with ticks of 2.5 s a lease of 15 s is 6, a
 * renewal every 5 s is 2, and all that clocks 2 % apart can do within a lease is less than 1, so 1. HELD is how many
 * commands may be under way at once. Each BROKEN_... takes one guard away; STALE_FIRST the one assumption. */

#define BOUND (LEASE + DRIFT) /* the longest that a contact may stay closed on what was said once */
#define OLD (BOUND + 1)       /* so old, or older, or never: too late for anything */
#define UNKNOWN 255

mtype = { on, off, nothing };                                                       /* orders */
mtype = { operator_s, controller_s, rival_s, broker_s, node_s, clock_s };           /* turns, in this order */
mtype turn = operator_s;

/* Who commands, and under which epochs: the rival's lies between those of the first controller, which begins anew once.
 * So the rival is the newer one, or the older one. */
#define FIRST 0
#define SECOND 1
#define NOBODY 2
#define SECOND_EPOCH 3
#define LAST_EPOCH 4
byte first_epoch = 2;

/* Commands of the first controller under way: order, epoch, age. It sends at most one a tick, so within an epoch the
 * younger command is the one with the higher number: ages stand for numbers too. */
chan air = [HELD] of { mtype, byte, byte };

chan ask = [0] of { bool };    /* a reset, heard while the controller is up */
chan answer = [0] of { bool }; /* done or refused */

/* The node, as RelayCore. */
bool closed;
byte holder = NOBODY;
byte node_epoch;
byte obeyed_age = OLD; /* how long ago the command last obeyed was said, in true time */
byte left;             /* ticks of its lease left by the node's clock */
byte slack;            /* ticks by which the node's clock may still err in this lease; a fast one only opens sooner */
byte prompt = UNKNOWN; /* age of the promptest command of this epoch since boot: the node's zero of lateness */

/* A run at random would be all boots and trips; when one is to be told, calm is likelier. */
#ifdef TOLD
#define mostly :: true :: true :: true :: true :: true :: true :: true :: true
#else
#define mostly
#endif

/* What only the properties need. */
bool tripped;        /* a trip is on record, and nobody has reset it */
byte newest_epoch;   /* the latest epoch ever obeyed */
byte off_age = OLD;  /* how long ago the latest opening that reached the node was said by the first controller */

/* The one assumption about the network: the first command that a node obeys of an epoch, or after a boot, took less than
 * a tick. The node has nothing to hold the first one against, so it takes it for prompt. */
#ifdef STALE_FIRST
#define may_be_heard(epoch, age) true
#else
#define may_be_heard(epoch, age) (age == 0 || (epoch <= node_epoch && prompt != UNKNOWN))
#endif

/* RelayCore.receive: a command that is not obeyed changes nothing, but an opening opens even then. */
inline receive(order, by, epoch, age, retained) {
    printf("hear %e %d %d %d %d\n", order, by, epoch, age, retained);
    d_step {
        if
        :: order == off && !retained ->
            closed = false;
            off_age = (by == FIRST && age < off_age -> age : off_age)
        :: else
        fi;
        late = (prompt != UNKNOWN && epoch == node_epoch && age > prompt -> age - prompt : 0)
    };
    do /* two clocks that drift judge lateness, so it may seem less than it is */
    :: late > 0 && spent < DRIFT -> late--; spent++
    :: break
    od;
    skip; /* a jump must not end in a d_step */
    d_step {
        if
#ifndef BROKEN_RETAINED
        :: retained
#endif
#ifndef BROKEN_EPOCH
        :: epoch < node_epoch
#endif
#ifndef BROKEN_SECOND
        :: order == on && by != holder && left > 0
#endif
#ifndef BROKEN_REPLAY
        :: epoch == node_epoch && age >= obeyed_age
#endif
#ifndef BROKEN_LATE
        :: order == on && late > LEASE
#endif
        :: else -> obey(order, by, epoch, age)
        fi;
        late = 0;
        spent = 0
    }
}

inline obey(order, by, epoch, age) {
    /* I9: nothing said before an opening that was heard closes the contact again */
    assert(!(order == on && by == FIRST && off_age < OLD && age >= off_age));
    /* C04: whoever was overtaken is never obeyed again, and while one controller's lease runs no other's "on" is */
    assert(epoch >= newest_epoch);
    assert(!(order == on && closed && left > 0 && by != holder));
    prompt = (epoch != node_epoch || prompt == UNKNOWN || age < prompt -> age : prompt);
    newest_epoch = epoch;
    node_epoch = epoch;
    holder = by;
    obeyed_age = age;
#ifdef BROKEN_LATE
    late = 0;
#endif
    left = (order == on -> LEASE - late : 0);
    slack = (order == on -> DRIFT - spent : 0);
    closed = left > 0
}

/* A person at the page: asks for a reset when he likes, and waits for the answer, but not for ever. */
active proctype operator() {
    do
    :: turn == operator_s -> atomic {
        if
        :: ask ! true -> answer ? _
#ifndef BROKEN_OPERATOR
        :: true /* he asks for nothing, or his patience ends */
#endif
        fi;
        turn = controller_s }
    od
}

#define may_begin_anew (first_epoch < LAST_EPOCH)

/* The first controller: the gate, lease.due, the service's step and its file of standing orders. What control and the
 * permissives say is left open at every tick: that covers any plant, any probe and any fault of theirs. Paused, hung or
 * cut off, it is as if its commands were lost. */
active proctype controller() {
    bool up = true, latched, on_disk;
    mtype sent = nothing, order = nothing;
    byte since_sent;
    do
    :: turn == controller_s -> atomic {
        since_sent = (since_sent < RENEW -> since_sent + 1 : RENEW);
        if
        :: up ->
            if /* a sample over its limit, or a person's stop */
            :: latched = true
            :: true mostly
            fi;
            if /* the gate */
            :: !latched -> order = on
            :: order = off
            fi;
            if
            :: order != sent || since_sent >= RENEW ->
                /* C16: a latched trip is never followed by "on" without a reset */
                assert(!(order == on && tripped));
                if
                :: nfull(air) -> air ! order, first_epoch, 0
                :: full(air)
                fi;
                sent = order;
                since_sent = 0
            :: else
            fi;
            order = nothing;
            if /* an opening goes out before its trip is saved and told, so it may be killed in between */
            :: may_begin_anew -> up = false
            :: on_disk = latched; tripped = latched
            fi
        :: up && may_begin_anew -> up = false /* killed */
        :: up && may_begin_anew && node_epoch > first_epoch -> /* it hears of a later epoch, and rises above it */
            first_epoch = LAST_EPOCH
        :: !up
        :: !up -> /* a restart knows what was saved, and its epoch is a new one */
            up = true;
#ifdef BROKEN_RESTART
            on_disk = false;
#endif
            latched = on_disk;
            first_epoch = LAST_EPOCH;
            sent = nothing;
            since_sent = 0
        fi;
        turn = rival_s }
    :: atomic { ask ? eval(up) ->
        if
        :: latched = false; on_disk = false; tripped = false; answer ! true
        :: answer ! false
        fi }
    od
}

/* A second controller with the same key and a record of its own: a stand-by, or an old copy. It says what it likes, so
 * it is every such controller; promptly, since what delay does to one controller's commands the first one's show. */
active proctype rival() {
    byte late, spent;
    do
    :: turn == rival_s -> atomic {
        if
        :: receive(on, SECOND, SECOND_EPOCH, 0, false)
        :: receive(off, SECOND, SECOND_EPOCH, 0, false)
        :: true mostly
        fi;
        turn = broker_s }
    od
}

/* The broker and both its links. It may hold a command back, lose it, deliver it, or deliver it and keep it for another
 * time; what is held back and overtaken is reordered; all lost at once is a restart. */
active proctype broker() {
    mtype order = nothing;
    byte epoch, age, n, late, spent;
    do
    :: turn == broker_s -> atomic {
        n = len(air);
        do
        :: n > 0 ->
            air ? order, epoch, age;
            if
            :: air ! order, epoch, age
            :: true
            :: may_be_heard(epoch, age) -> receive(order, FIRST, epoch, age, false)
            :: may_be_heard(epoch, age) -> receive(order, FIRST, epoch, age, false); air ! order, epoch, age
            fi;
            n--
        :: else -> break
        od;
        if
        :: receive(on, FIRST, first_epoch, OLD, true) /* an "on" of long ago that something made it retain */
        :: true
        fi;
        order = nothing; epoch = 0; age = 0;
        turn = node_s }
    od
}

/* RelayCore.advance, and boots: a booted node knows the epoch and number it had obeyed, and nothing else. */
active proctype node() {
    do
    :: turn == node_s -> atomic {
        if
#ifndef BROKEN_EXPIRY
        :: left == 0 -> closed = false; slack = 0
#endif
        :: else
        fi;
        if
        :: true mostly
        :: printf("boot\n");
            closed = false; left = 0; slack = 0; holder = NOBODY; prompt = UNKNOWN;
#ifdef BROKEN_BOOT
            node_epoch = 0; obeyed_age = OLD
#endif
        fi;
        printf("contact %d\n", closed);
        turn = clock_s }
    od
}

#define older(age) age = (age < OLD -> age + 1 : OLD)
/* An age that no command under way can reach any more is as good as OLD: fewer states. */
#define forget(age) age = (age > oldest -> OLD : age)

/* Time passes: what is under way grows older, and the node's clock counts, or for once does not. */
active proctype clock() {
    mtype order = nothing;
    byte epoch, age, n, oldest;
    do
    :: turn == clock_s -> atomic {
        printf("tick\n");
        if
        :: left > 0 -> left--
        :: left > 0 && slack > 0 -> slack--
        :: left == 0
        fi;
        d_step {
            n = len(air);
            do
            :: n > 0 ->
                air ? order, epoch, age;
                age++;
                if
                :: age < OLD -> air ! order, epoch, age; oldest = (age > oldest -> age : oldest)
                :: else /* it could only open */
                fi;
                n--
            :: else -> break
            od;
            older(obeyed_age);
            older(off_age);
            /* I1: closed only on what was said at most a lease and the drift ago */
            assert(!(closed && obeyed_age > BOUND));
            forget(off_age);
            if
            :: !closed -> forget(obeyed_age)
            :: else
            fi;
            order = nothing; epoch = 0; age = 0; oldest = 0;
            turn = operator_s
        } }
    od
}
