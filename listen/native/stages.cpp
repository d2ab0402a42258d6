// One cycle through a chain of stages, a row of values a lane: curve, diode bend, dead band, knees, limited slope; or
// dead band and curve in a second stage behind the knees.
#include <math.h>

#include "diodes.hpp"
#include "kernels.hpp"
#include "turns.hpp"
#include "wien.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

using V = Lanes<double>;
constexpr int W = WIDTH<double>, COLUMNS = 15;
constexpr int64_t POINTS = 192, SOLVE_POINTS = 64;
constexpr int TURNS = 4, WARM_TURNS = 2, LOOP_TURNS = 4;
constexpr double NO_KNEE = 4.0, SLOW = 0.6, FURTHEST = 1.2, LEAST_RISE = 0.05, FURTHEST_TURN = 1.2,
                 DEAD_ROUNDING = 0.004, SOFT = 0.006, SOFT_END = 1.5;
// As in listen/account/curve/wave.py, where each has its reason.
enum Column {
    KNEE, CORNER, EVEN_RE, EVEN_IM, ODD_RE, ODD_IM, BEND, BEND_AT, BEND_WIDTH, DEAD, TOP, BOTTOM, STEEP, LAG, LEAN
};

LISTEN_INLINE V root(V x) {
    for (int i = 0; i < W; i++) x[i] = sqrt(x[i]);
    return x;
}

// Cosines and sines of 2 pi j / POINTS.
struct Circle {
    double cosine[POINTS], sine[POINTS];

    Circle() { fill_turns(POINTS, cosine, sine); }
};

struct Flags {
    bool solved, own_levels, own_slope, inside, second_stage;
};

// Values of as many rows as there are lanes.
struct Group {
    V value[COLUMNS];
    // as measured
    Relative measured;
    const Diodes* diodes[W];
    bool mixed, even, odd, bend, dead, top, bottom, slew;
};

// Whole cycle of the input, once.
void draw(const Input& input, bool inside, int64_t points, const Circle& circle, V* given) {
    const int64_t step = POINTS / points;
    for (int64_t j = 0; j < points; j++) {
        V u = splat(circle.cosine[j * step]);
        if (inside) {
            for (int k = 2; k <= ORDERS; k++) {
                const int64_t at = (k * j * step) % POINTS;
                u = u + input.re[k - 1] * circle.cosine[at] - input.im[k - 1] * circle.sine[at];
            }
        }
        given[j] = u;
    }
}

LISTEN_INLINE V above(V u, V level, V width2) {
    const V over = u - level;
    return (over + root(over * over + width2)) * 0.5;
}

// As an amplifier does that rolls off and whose slope is limited, by ``up`` a step where it rises, by ``down`` where it
// falls; from a whole cycle before on: with unlike limits the mean has to settle, too.
void follow(V* u, V up, V down, V share, V soft, int64_t points) {
    V held = u[0];
    const V none = splat(0.0), end = splat(SOFT_END), over_up = splat(1.0) / up, over_down = splat(1.0) / down;
    const auto next = [&](V target) {
        const V far = (target - held) * share, most_step = where_at_most(far, none, down, up);
        const V z = limited(far * where_at_most(far, none, over_down, over_up), none - end, end);
        const V sudden = limited(far, none - down, up);
        held = held + sudden + soft * (most_step * z * (splat(1.0) - z * z * (4.0 / 27.0)) - sudden);
    };
    for (int64_t j = 0; j < points; j++) next(u[j]);
    for (int64_t j = 0; j < points; j++) {
        next(u[j]);
        u[j] = held;
    }
}

// Even and odd curve of a first stage: they add to its sine what they make of one.
LISTEN_INLINE V curved(const Group& group, const Circle& circle, int64_t at, V x) {
    const int64_t twice = (2 * at) % POINTS, thrice = (3 * at) % POINTS;
    const V* value = group.value;
    if (group.even) x = x + value[EVEN_RE] * circle.cosine[twice] - value[EVEN_IM] * circle.sine[twice];
    if (group.odd) x = x + value[ODD_RE] * circle.cosine[thrice] - value[ODD_IM] * circle.sine[thrice];
    return x;
}

// Of a second stage: the real parts weigh polynomials of what comes in.
LISTEN_INLINE V curved_behind(const Group& group, const Circle& circle, int64_t at, V x) {
    const int64_t twice = (2 * at) % POINTS, thrice = (3 * at) % POINTS;
    const V* value = group.value;
    // Chebyshev's polynomials: of a sine they make the second and the third harmonic alone
    const V one = splat(1.0), second = x * x * 2.0 - one, third = x * (second * 2.0 - one);
    if (group.even) x = x + value[EVEN_RE] * second - value[EVEN_IM] * circle.sine[twice];
    if (group.odd) x = x + value[ODD_RE] * third - value[ODD_IM] * circle.sine[thrice];
    return x;
}

LISTEN_INLINE V without_dead(V x, V dead, V band, V rounding2) {
    const V none = splat(0.0), far = x + band, near = x - band;
    const V less = (root(far * far + rounding2) - root(near * near + rounding2)) * 0.5;
    return x - where_at_most(dead, none, none, less);
}

LISTEN_INLINE V rounding_of(V amplitude) {
    const V rounding = amplitude * DEAD_ROUNDING;
    return rounding * rounding;
}

// One cycle through the first stage: up to the knees.
void run_first(const Group& group, const Flags& flags, const Circle& circle, const V* given, V amplitude,
               int64_t points, V* u) {
    const int64_t step = POINTS / points;
    const V* value = group.value;
    const V none = splat(0.0), one = splat(1.0), scale = flags.own_levels ? amplitude : one;
    const V width2 = scale * value[KNEE] * scale * value[KNEE];
    const V band = amplitude * value[DEAD], rounding2 = rounding_of(amplitude);
    const V top = scale * value[TOP], bottom = scale * value[BOTTOM], slope = one / value[BEND_AT];
    const V no_knee = splat(NO_KNEE * 0.999999);
    for (int64_t j = 0; j < points; j++) {
        V x = given[j];
        x = amplitude * (flags.second_stage ? x : curved(group, circle, j * step, x));
        if (group.bend) {
            V bent = diode_volts(*group.diodes[0], x * slope);
            for (int i = 1; group.mixed && i < W; i++) {
                if (group.diodes[i] != group.diodes[0]) bent[i] = diode_volts(*group.diodes[i], x * slope)[i];
            }
            x = x + value[BEND] * bent;
        }
        if (group.dead && !flags.second_stage) x = without_dead(x, value[DEAD], band, rounding2);
        if (group.top) x = x - where_at_most(value[TOP], no_knee, above(x, top, width2), none);
        if (group.bottom) x = x + where_at_most(value[BOTTOM], no_knee, above(none - x, bottom, width2), none);
        u[j] = x;
    }
}

// On from there: what belongs to a second stage, and the limited slope.
void run_second(const Group& group, const Flags& flags, const Circle& circle, V amplitude, int64_t points, V* u) {
    const int64_t step = POINTS / points;
    const V* value = group.value;
    const V none = splat(0.0), one = splat(1.0), band = amplitude * value[DEAD], rounding2 = rounding_of(amplitude);
    for (int64_t j = 0; flags.second_stage && j < points; j++) {
        V x = group.dead ? without_dead(u[j], value[DEAD], band, rounding2) : u[j];
        u[j] = amplitude * curved_behind(group, circle, j * step, x / amplitude);
    }
    if (group.slew) {
        const V steep = where_at_most(value[STEEP], splat(SLOW), splat(1e-12),
                                      flags.own_slope ? value[STEEP] / amplitude : value[STEEP]);
        const V each = splat(6.28318530717958647692 / (double)points);
        const V lag = where_at_most(value[STEEP], splat(SLOW), none, value[LAG]);
        V wider = one;
        for (int i = 0; i < W; i++) wider[i] = exp(value[LEAN][i]);
        follow(u, each / steep * wider, each / steep / wider, one / (one + lag / each), lag / (lag + SOFT), points);
    }
}

// Harmonic k of a cycle.
LISTEN_INLINE void line_of(const V* u, int64_t points, int k, const Circle& circle, V* re, V* im) {
    const int64_t step = POINTS / points;
    V a = splat(0.0), b = a;
    for (int64_t j = 0; j < points; j++) {
        const int64_t at = (k * j * step) % POINTS;
        a = a + u[j] * circle.cosine[at];
        b = b - u[j] * circle.sine[at];
    }
    *re = a * (2.0 / (double)points);
    *im = b * (2.0 / (double)points);
}

// A limited slope has the lag in it.
LISTEN_INLINE V lag_of(const Group& group) {
    return where_at_most(group.value[STEEP], splat(SLOW), group.value[LAG], splat(0.0));
}

// Of all lanes; the first as it comes out of the stages.
void all_lines(const V* u, int64_t points, V corner, V lag, const Circle& circle, Relative* lines, V* first_re,
               V* first_im) {
    V re[ORDERS], im[ORDERS];
    for (int k = 1; k <= ORDERS; k++) line_of(u, points, k, circle, &re[k - 1], &im[k - 1]);
    *first_re = re[0];
    *first_im = im[0];
    for (int i = 0; i < W; i++) {
        double a[ORDERS], b[ORDERS], out_re[ORDERS - 1], out_im[ORDERS - 1];
        for (int k = 0; k < ORDERS; k++) {
            a[k] = re[k][i];
            b[k] = im[k][i];
        }
        relative_lines(a, b, corner[i], lag[i], out_re, out_im);
        for (int k = 0; k < ORDERS - 1; k++) {
            lines->re[k][i] = out_re[k];
            lines->im[k][i] = out_im[k];
        }
    }
}

// What the first rows settled at: the logarithm of the amplitude, how the output grows with it, the pitch, and where a
// loop ends before the output what goes round it.
struct Memory {
    Row<double> amplitude, rise, pitch;
    Table<double> loop;
};

// What is sought, and what goes round the loop: as measured, or where it ends before the output as worked out.
struct Sought {
    V log_amplitude, rise, pitch;
    Relative loop;
};

// Later rows start from what the first ones settled at.
Sought begin(const Group& group, const Memory& memory, bool own_loop, int64_t start, int lanes) {
    const int64_t first = memory.amplitude.n;
    Sought found = {splat(0.0), splat(1.0), splat(1.0), {}};
    if (!own_loop) found.loop = group.measured;
    for (int i = 0; start >= first && i < W; i++) {
        const int64_t row = (start + least((int64_t)i, (int64_t)lanes - 1)) % first;
        found.log_amplitude[i] = memory.amplitude[row];
        found.rise[i] = memory.rise[row];
        found.pitch[i] = memory.pitch[row];
        for (int k = 0; own_loop && k < ORDERS - 1; k++) {
            found.loop.re[k][i] = memory.loop[row][2 * k];
            found.loop.im[k][i] = memory.loop[row][2 * k + 1];
        }
    }
    return found;
}

void remember(const Sought& found, const Memory& memory, bool own_loop, int64_t start, int lanes) {
    for (int i = 0; start < memory.amplitude.n && i < lanes; i++) {
        memory.amplitude[start + i] = found.log_amplitude[i];
        memory.rise[start + i] = found.rise[i];
        memory.pitch[start + i] = found.pitch[i];
        for (int k = 0; own_loop && k < ORDERS - 1; k++) {
            memory.loop[start + i][2 * k] = found.loop.re[k][i];
            memory.loop[start + i][2 * k + 1] = found.loop.im[k][i];
        }
    }
}

LISTEN_INLINE V exponential(V x) {
    for (int i = 0; i < W; i++) x[i] = exp(x[i]);
    return x;
}

// The pitch at which the network makes good what the stages turn the phase.
LISTEN_INLINE V pitch_of(V re, V im, V lag) {
    V pitch = re;
    for (int i = 0; i < W; i++) {
        const double turned = atan2(im[i], re[i]) - atan(lag[i]);
        const double x = 3.0 * tan(least(most(turned, -FURTHEST_TURN), FURTHEST_TURN));
        pitch[i] = 0.5 * (x + sqrt(x * x + 4.0));
    }
    return pitch;
}

// Find the amplitude with which the fundamental that comes out is 1, the pitch, and what goes round a loop before a
// second stage.
V settle(const Group& group, const Flags& flags, const Circle& circle, const Memory& memory, int64_t start, int lanes,
         Input* input, V* given, V* u) {
    const bool own_loop = flags.inside && flags.second_stage;
    // the slope is limited behind a loop of its own
    const V lag = own_loop ? group.value[LAG] : lag_of(group);
    Sought found = begin(group, memory, own_loop, start, lanes);
    V old = splat(0.0), old_off = old;
    if (flags.inside) feed_back(found.loop, found.pitch, input);
    const int turns = (start >= memory.amplitude.n ? WARM_TURNS : TURNS) + (own_loop ? LOOP_TURNS : 0);
    for (int turn = 0; turn < turns; turn++) {
        const V amplitude = exponential(found.log_amplitude);
        V re, im, looped_re, looped_im;
        draw(*input, flags.inside, SOLVE_POINTS, circle, given);
        run_first(group, flags, circle, given, amplitude, SOLVE_POINTS, u);
        if (own_loop) {
            Relative next;
            all_lines(u, SOLVE_POINTS, splat(0.0), lag, circle, &next, &looped_re, &looped_im);
            go_round(next, found.pitch, &found.loop);
        }
        run_second(group, flags, circle, amplitude, SOLVE_POINTS, u);
        line_of(u, SOLVE_POINTS, 1, circle, &re, &im);
        if (flags.inside) found.pitch = own_loop ? pitch_of(looped_re, looped_im, lag) : pitch_of(re, im, lag);
        for (int i = 0; flags.solved && i < W; i++) {
            const double now = found.log_amplitude[i];
            const double off = log(most(sqrt(re[i] * re[i] + im[i] * im[i]), 1e-3));
            if (turn > 0 && fabs(now - old[i]) > 1e-9) {
                found.rise[i] = least(most((off - old_off[i]) / (now - old[i]), LEAST_RISE), 4.0);
            }
            old[i] = now;
            old_off[i] = off;
            found.log_amplitude[i] = least(most(old[i] - off / found.rise[i], -FURTHEST), FURTHEST);
        }
        if (flags.inside) feed_back(found.loop, found.pitch, input);
    }
    remember(found, memory, own_loop, start, lanes);
    return exponential(found.log_amplitude);
}

// H2 .. H10 over H1 of the recorded wave, the gain of the fundamental, and the amplitude.
void read_lines(const V* u, int64_t points, V corner, V lag, V amplitude, const Circle& circle, int lanes,
                Table<double> out) {
    Relative lines;
    V re, im;
    all_lines(u, points, corner, lag, circle, &lines, &re, &im);
    for (int i = 0; i < lanes; i++) {
        for (int k = 0; k < ORDERS - 1; k++) {
            out[i][2 * k] = lines.re[k][i];
            out[i][2 * k + 1] = lines.im[k][i];
        }
        out[i][2 * ORDERS - 2] = sqrt(re[i] * re[i] + im[i] * im[i]) / amplitude[i];
        out[i][2 * ORDERS - 1] = amplitude[i];
    }
}

// Rows start .. start + lanes - 1 of the table; the last one fills the other lanes.
Group group_of(Table<const double> table, Table<const double> returned, int64_t start, int lanes, Widths* widths) {
    Group group = {};
    for (int i = 0; i < W; i++) {
        const int64_t row = start + least((int64_t)i, (int64_t)lanes - 1);
        for (int c = 0; c < COLUMNS; c++) group.value[c][i] = table[row][c];
        const Row<const double> lines = returned[row % returned.rows];
        for (int k = 0; k < ORDERS - 1; k++) {
            group.measured.re[k][i] = lines[2 * k];
            group.measured.im[k][i] = lines[2 * k + 1];
        }
        group.even |= table[row][EVEN_RE] != 0.0 || table[row][EVEN_IM] != 0.0;
        group.odd |= table[row][ODD_RE] != 0.0 || table[row][ODD_IM] != 0.0;
        group.bend |= table[row][BEND] != 0.0;
        group.dead |= table[row][DEAD] != 0.0;
        group.top |= table[row][TOP] < NO_KNEE;
        group.bottom |= table[row][BOTTOM] < NO_KNEE;
        group.slew |= table[row][STEEP] > SLOW;
    }
    widths->groups++;
    for (int i = 0; group.bend && i < W; i++) {
        group.diodes[i] = widths->of(group.value[BEND_WIDTH][i]);
        group.mixed |= group.diodes[i] != group.diodes[0];
    }
    return group;
}

}  // namespace

void staged_lines(Table<const double> table, Table<const double> returned, bool solved, bool own_levels, bool own_slope,
                  bool inside, bool second_stage, Table<double> room, Table<double> out) {
    // the same widths come again and again while a model is fitted
    static thread_local Widths widths;
    static const Circle circle;
    const Flags flags = {solved, own_levels, own_slope, inside, second_stage};
    const int64_t first = least(returned.rows, table.rows);
    const Memory memory = {{room[0].data, first}, {room[1].data, first}, {room[2].data, first},
                           {room[3].data, first, 2 * ORDERS - 2}};
    V given[POINTS], u[POINTS];
    for (int64_t start = 0, next; start < table.rows; start = next) {
        // the first rows are settled before those that start from them
        next = least(start + W, start < first ? first : table.rows);
        const int lanes = (int)(next - start);
        const Group group = group_of(table, returned, start, lanes, &widths);
        Input input = {};
        V amplitude = splat(1.0);
        if (solved || inside) amplitude = settle(group, flags, circle, memory, start, lanes, &input, given, u);
        draw(input, inside, POINTS, circle, given);
        run_first(group, flags, circle, given, amplitude, POINTS, u);
        run_second(group, flags, circle, amplitude, POINTS, u);
        read_lines(u, POINTS, group.value[CORNER], lag_of(group), amplitude, circle, lanes,
                   {out[start].data, lanes, out.columns});
    }
}

}  // namespace listen::LISTEN_LEVEL
