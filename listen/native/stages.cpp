// One cycle through a chain of stages, a row of values a lane: curve, diode bend, dead band, knees, limited slope.
#include <math.h>

#include "kernels.hpp"
#include "turns.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

using V = Lanes<double>;
constexpr int W = WIDTH<double>;
constexpr int ORDERS = 10, COLUMNS = 14;
constexpr int64_t POINTS = 256, SLEW_POINTS = 512, SOLVE_POINTS = 128;
constexpr int TURNS = 4;
constexpr double NO_KNEE = 4.0, SLOW = 0.6, FURTHEST = 1.2, LEAST_RISE = 0.05, FURTHEST_TURN = 1.2;
constexpr double DEAD_ROUNDING = 0.004, SOFT = 0.5;
// As in listen/account/curve/wave.py, where each has its reason.
constexpr int64_t DIODE_STEPS = 256;
constexpr double DIODE_END = 4.0;
// The diodes' curve is read from a table up to here, and worked out beyond.
constexpr int DIODES = 3;
// Tables kept: the rows of one call have two widths or three.

enum Column { KNEE, CORNER, EVEN_RE, EVEN_IM, ODD_RE, ODD_IM, BEND, BEND_AT, BEND_WIDTH, DEAD, TOP, BOTTOM, STEEP, LAG };

LISTEN_INLINE V root(V x) {
    for (int i = 0; i < W; i++) x[i] = sqrt(x[i]);
    return x;
}

// Voltage across a resistor with a diode each way beside it, against the current: v + sinh(v / w) / sinh(1 / w) = x.
struct Diodes {
    double width = 0.0, volts[DIODE_STEPS + 1], rise[DIODE_STEPS + 1];

    void make(double w) {
        const double scale = 1.0 / -expm1(-2.0 / w);
        double v = 0.0;
        width = w;
        for (int64_t i = 0; i <= DIODE_STEPS; i++) {
            const double x = DIODE_END * (double)i / DIODE_STEPS;
            double slope = 1.0;
            // from the value before, which lies below: the first step goes above, the others come back
            for (int round = 0; round < 60; round++) {
                const double grown = exp((v - 1.0) / w), fallen = exp(-(v + 1.0) / w);
                const double off = v + (grown - fallen) * scale - x;
                slope = 1.0 / (1.0 + (grown + fallen) * scale / w);
                v -= off * slope;
                if (fabs(off * slope) < 1e-12) break;
            }
            volts[i] = v;
            rise[i] = slope * (DIODE_END / DIODE_STEPS);
        }
    }

    double at(double x) const {
        const double size = fabs(x);
        double v;
        if (size < DIODE_END) {
            // Hermite's cubic between the table's values
            const double place = size * (DIODE_STEPS / DIODE_END);
            const int64_t i = (int64_t)place;
            const double t = place - (double)i, s = 1.0 - t;
            v = s * s * ((1.0 + 2.0 * t) * volts[i] + t * rise[i]) +
                t * t * ((3.0 - 2.0 * t) * volts[i + 1] - s * rise[i + 1]);
        } else {
            // sinh is half an exponential here
            v = 1.0 + width * log(size - 1.0);
            for (int i = 0; i < 4; i++) v = 1.0 + width * log(size - v);
        }
        return x < 0.0 ? -v : v;
    }
};

// Tables of the widths of one call.
struct Widths {
    Diodes tables[DIODES];
    int next = 0;

    const Diodes* of(double width) {
        for (int i = 0; i < DIODES; i++) {
            if (tables[i].width == width) return &tables[i];
        }
        Diodes& oldest = tables[next];
        next = (next + 1) % DIODES;
        oldest.make(width);
        return &oldest;
    }
};

// Cosines and sines of 2 pi j / SLEW_POINTS.
struct Circle {
    double cosine[SLEW_POINTS], sine[SLEW_POINTS];

    Circle() { fill_turns(SLEW_POINTS, cosine, sine); }
};

struct Flags {
    bool solved, own_levels, own_slope, inside;
};

// Values of as many rows as there are lanes.
struct Group {
    V value[COLUMNS];
    // H2 .. H10 as measured
    V re[ORDERS - 1], im[ORDERS - 1];
    const Diodes* diodes[W];
    bool even, odd, bend, dead, top, bottom, slew;
};

// Harmonics 1 .. 10 of the input over its first.
struct Input {
    V re[ORDERS], im[ORDERS];
};

// What a Wien network hands back of the measured harmonics, the pitch over its own given.
void hand_back(const Group& group, V pitch, Input* input) {
    const V one = splat(1.0), own = (pitch - one / pitch) / 3.0;
    input->re[0] = one;
    input->im[0] = splat(0.0);
    for (int k = 2; k <= ORDERS; k++) {
        const V x = pitch * (double)k, off = (x - one / x) / 3.0, size = one + off * off;
        // (1 + j own) / (1 + j off)
        const V re = (one + own * off) / size, im = (own - off) / size;
        const V a = group.re[k - 2], b = group.im[k - 2];
        input->re[k - 1] = a * re - b * im;
        input->im[k - 1] = a * im + b * re;
    }
}

// Whole cycle of the input, once.
void draw(const Input& input, bool inside, int64_t points, const Circle& circle, V* given) {
    const int64_t step = SLEW_POINTS / points;
    for (int64_t j = 0; j < points; j++) {
        V u = splat(circle.cosine[j * step]);
        if (inside) {
            for (int k = 2; k <= ORDERS; k++) {
                const int64_t at = (k * j * step) % SLEW_POINTS;
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

// Nearly most tanh(step / most): Pade's approximant, which reaches the limit at three times as much.
LISTEN_INLINE V bent(V step, V limit) {
    const V size = where_at_most(step, splat(0.0), splat(0.0) - step, step);
    const V z = where_at_most(size, limit * 3.0, step / limit, where_at_most(step, splat(0.0), splat(-3.0), splat(3.0)));
    return limit * z * (z * z + 27.0) / (z * z * 9.0 + 27.0);
}

// As an amplifier does that rolls off and whose slope is limited; the second of two cycles.
void follow(V* u, V most_step, V share, V soft, int64_t points) {
    V held = u[0];
    const V least_step = splat(0.0) - most_step;
    for (int turn = 0; turn < 2; turn++) {
        for (int64_t j = 0; j < points; j++) {
            const V far = (u[j] - held) * share;
            V step = far;
            step = where_at_most(step, most_step, step, most_step);
            step = where_at_most(least_step, step, step, least_step);
            step = step + soft * (bent(far, most_step) - step);
            held = held + step;
            if (turn == 1) u[j] = held;
        }
    }
}

// One cycle through all stages.
void run_stages(const Group& group, const Flags& flags, const Circle& circle, const V* given,
                V amplitude, int64_t points, V* u) {
    const int64_t step = SLEW_POINTS / points;
    const V* value = group.value;
    const V none = splat(0.0), one = splat(1.0), scale = flags.own_levels ? amplitude : one;
    const V width2 = scale * value[KNEE] * scale * value[KNEE];
    const V dead = amplitude * value[DEAD], rounding = amplitude * DEAD_ROUNDING, rounding2 = rounding * rounding;
    const V top = scale * value[TOP], bottom = scale * value[BOTTOM], slope = one / value[BEND_AT];
    const V no_knee = splat(NO_KNEE * 0.999999);
    for (int64_t j = 0; j < points; j++) {
        V x = given[j];
        if (group.even) {
            const int64_t at = (2 * j * step) % SLEW_POINTS;
            x = x + value[EVEN_RE] * circle.cosine[at] - value[EVEN_IM] * circle.sine[at];
        }
        if (group.odd) {
            const int64_t at = (3 * j * step) % SLEW_POINTS;
            x = x + value[ODD_RE] * circle.cosine[at] - value[ODD_IM] * circle.sine[at];
        }
        x = amplitude * x;
        if (group.bend) {
            V bent = x * slope;
            for (int i = 0; i < W; i++) bent[i] = group.diodes[i]->at(bent[i]);
            x = x + value[BEND] * bent;
        }
        if (group.dead) {
            const V far = x + dead, near = x - dead;
            const V less = (root(far * far + rounding2) - root(near * near + rounding2)) * 0.5;
            x = x - where_at_most(value[DEAD], none, none, less);
        }
        if (group.top) x = x - where_at_most(value[TOP], no_knee, above(x, top, width2), none);
        if (group.bottom) x = x + where_at_most(value[BOTTOM], no_knee, above(none - x, bottom, width2), none);
        u[j] = x;
    }
    if (group.slew) {
        const V steep = where_at_most(value[STEEP], splat(SLOW), splat(1e-12),
                                      flags.own_slope ? value[STEEP] / amplitude : value[STEEP]);
        const V each = splat(6.28318530717958647692 / (double)points);
        const V late = where_at_most(value[STEEP], splat(SLOW), none, value[LAG] / each);
        follow(u, each / steep, one / (one + late), late / (late + SOFT), points);
    }
}

// Harmonic k of a cycle.
LISTEN_INLINE void line_of(const V* u, int64_t points, int k, const Circle& circle, V* re, V* im) {
    const int64_t step = SLEW_POINTS / points;
    V a = splat(0.0), b = a;
    for (int64_t j = 0; j < points; j++) {
        const int64_t at = (k * j * step) % SLEW_POINTS;
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

// Find the amplitude with which the fundamental that comes out is 1, and the pitch at which the network makes good what
// the stages turn the phase.
V settle(const Group& group, const Flags& flags, const Circle& circle, Input* input, V* given,
         V* u) {
    const V lag = lag_of(group);
    V amplitude = splat(1.0), now = splat(0.0), old = now, old_off = now;
    for (int turn = 0; turn < TURNS; turn++) {
        draw(*input, flags.inside, SOLVE_POINTS, circle, given);
        run_stages(group, flags, circle, given, amplitude, SOLVE_POINTS, u);
        V re, im, pitch = splat(1.0);
        line_of(u, SOLVE_POINTS, 1, circle, &re, &im);
        for (int i = 0; i < W; i++) {
            if (flags.inside) {
                const double turned = atan2(im[i], re[i]) - atan(lag[i]);
                const double x = 3.0 * tan(least(most(turned, -FURTHEST_TURN), FURTHEST_TURN));
                pitch[i] = 0.5 * (x + sqrt(x * x + 4.0));
            }
            if (!flags.solved) continue;
            const double off = log(most(sqrt(re[i] * re[i] + im[i] * im[i]), 1e-3));
            double rise = 1.0;
            if (turn > 0 && fabs(now[i] - old[i]) > 1e-9) {
                rise = least(most((off - old_off[i]) / (now[i] - old[i]), LEAST_RISE), 4.0);
            }
            old[i] = now[i];
            old_off[i] = off;
            now[i] = least(most(old[i] - off / rise, -FURTHEST), FURTHEST);
            amplitude[i] = exp(now[i]);
        }
        if (flags.inside) hand_back(group, pitch, input);
    }
    return amplitude;
}

// H2 .. H10 over H1 of the recorded wave, the gain of the fundamental, and the amplitude.
void read_lines(const V* u, int64_t points, V corner, V lag, V amplitude, const Circle& circle, int lanes, Table<double> out) {
    V re[ORDERS], im[ORDERS];
    for (int k = 1; k <= ORDERS; k++) line_of(u, points, k, circle, &re[k - 1], &im[k - 1]);
    for (int i = 0; i < lanes; i++) {
        out[i][2 * ORDERS - 2] = sqrt(re[0][i] * re[0][i] + im[0][i] * im[0][i]) / amplitude[i];
        out[i][2 * ORDERS - 1] = amplitude[i];
        double c = 1.0, s = 0.0, first = 1.0, turn_c = 1.0, turn_s = 0.0;
        for (int k = 1; k <= ORDERS; k++) {
            // over 1 - j corner / k
            const double off = corner[i] / (double)k, size = 1.0 + off * off;
            const double x = (re[k - 1][i] - im[k - 1][i] * off) / size, y = (im[k - 1][i] + re[k - 1][i] * off) / size;
            // and over 1 + j lag k
            const double late = lag[i] * (double)k, rolled = 1.0 + late * late;
            const double a = (x + y * late) / rolled, b = (y - x * late) / rolled;
            if (k == 1) {
                first = most(sqrt(a * a + b * b), 1e-9);
                c = a / first;
                s = -b / first;
            }
            const double next = turn_c * c - turn_s * s;
            turn_s = turn_c * s + turn_s * c;
            turn_c = next;
            if (k > 1) {
                out[i][2 * k - 4] = (a * turn_c - b * turn_s) / first;
                out[i][2 * k - 3] = (a * turn_s + b * turn_c) / first;
            }
        }
    }
}

}  // namespace

void staged_lines(Table<const double> table, Table<const double> returned, bool solved, bool own_levels, bool own_slope,
                  bool inside, Table<double> out) {
    Widths widths;
    static const Circle circle;
    const Flags flags = {solved, own_levels, own_slope, inside};
    V given[SLEW_POINTS], u[SLEW_POINTS];
    bool steep = false;
    for (int64_t i = 0; i < table.rows; i++) steep |= table[i][STEEP] > SLOW;
    const int64_t points = steep ? SLEW_POINTS : POINTS;
    for (int64_t start = 0; start < table.rows; start += W) {
        const int lanes = (int)least((int64_t)W, table.rows - start);
        Group group = {};
        for (int i = 0; i < W; i++) {
            const int64_t row = least(start + i, table.rows - 1);
            for (int c = 0; c < COLUMNS; c++) group.value[c][i] = table[row][c];
            const Row<const double> lines = returned[row % returned.rows];
            for (int k = 0; k < ORDERS - 1; k++) {
                group.re[k][i] = lines[2 * k];
                group.im[k][i] = lines[2 * k + 1];
            }
            group.even |= table[row][EVEN_RE] != 0.0 || table[row][EVEN_IM] != 0.0;
            group.odd |= table[row][ODD_RE] != 0.0 || table[row][ODD_IM] != 0.0;
            group.bend |= table[row][BEND] != 0.0;
            group.dead |= table[row][DEAD] != 0.0;
            group.top |= table[row][TOP] < NO_KNEE;
            group.bottom |= table[row][BOTTOM] < NO_KNEE;
            group.slew |= table[row][STEEP] > SLOW;
        }
        for (int i = 0; i < W; i++) group.diodes[i] = group.bend ? widths.of(group.value[BEND_WIDTH][i]) : nullptr;
        Input input = {};
        if (inside) hand_back(group, splat(1.0), &input);
        V amplitude = splat(1.0);
        if (solved || inside) amplitude = settle(group, flags, circle, &input, given, u);
        draw(input, inside, points, circle, given);
        run_stages(group, flags, circle, given, amplitude, points, u);
        read_lines(u, points, group.value[CORNER], lag_of(group), amplitude, circle, lanes, {out[start].data, lanes, out.columns});
    }
}

}  // namespace listen::LISTEN_LEVEL
