// Diodes across a resistor, by tables of the widths that came last.
#pragma once

#include <math.h>

#include "lanes.hpp"
#include "views.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr int64_t DIODE_STEPS = 256;
// Tables kept: the rows of one group may have as many widths as there are lanes.
constexpr int DIODES = 2 * WIDTH<double>;

// Voltage across a resistor with a diode each way beside it, against the current: v + sinh(v / w) / sinh(1 / w) = x,
// as cubics over equal steps of x / (x + 2).
struct Diodes {
    double width = 0.0, cubic[DIODE_STEPS][4];
    // number of the group that took it last
    int64_t group = 0;

    void make(double w) {
        double v = 0.0, slope = start(w) * DIODE_STEPS, last = 0.0, rise = 2.0 * start(w);
        width = w;
        for (int64_t i = 0; i < DIODE_STEPS; i++) {
            const double left = most(1.0 - (double)(i + 1) / DIODE_STEPS, 0.5 / DIODE_STEPS);
            // all currents that can be are below the last step
            const double x = 2.0 * (double)(i + 1) / DIODE_STEPS / left, before = v;
            // along the last slope: the curve bends down, so that this lies above
            v += slope * (x - last);
            last = x;
            settle(w, x, &v, &slope);
            const double next = slope * 2.0 / (left * left) / DIODE_STEPS, step = v - before;
            cubic[i][0] = before;
            cubic[i][1] = rise;
            cubic[i][2] = 3.0 * step - 2.0 * rise - next;
            cubic[i][3] = rise + next - 2.0 * step;
            rise = next;
        }
    }

    // Slope at 0, for a step of the table.
    static double start(double w) { return 1.0 / (1.0 + 1.0 / (w * sinh(1.0 / w))) / DIODE_STEPS; }

    // By Newton's method from above: the sum rises ever more steeply.
    static void settle(double w, double x, double* v, double* slope) {
        const double edge = exp(-2.0 / w), scale = 1.0 / (1.0 - edge);
        for (int round = 0; round < 100; round++) {
            const double grown = exp((*v - 1.0) / w), fallen = edge / grown;
            const double off = *v + (grown - fallen) * scale - x;
            *slope = 1.0 / (1.0 + (grown + fallen) * scale / w);
            *v -= off * *slope;
            if (fabs(off * *slope) < 1e-11) break;
        }
    }
};

// Of every lane, all of one table.
LISTEN_INLINE Lanes<double> diode_volts(const Diodes& diodes, Lanes<double> x) {
    const Lanes<double> none = splat(0.0), size = where_at_most(x, none, none - x, x);
    const Lanes<double> place = size / (size + 2.0) * (double)DIODE_STEPS;
    Lanes<double> out;
    for (int i = 0; i < WIDTH<double>; i++) {
        const int64_t at = whole(place[i], 0, DIODE_STEPS - 1);  // whatever the currents, infinite ones too
        const double t = place[i] - (double)at, *c = diodes.cubic[at];
        out[i] = c[0] + t * (c[1] + t * (c[2] + t * c[3]));
    }
    return where_at_most(x, none, none - out, out);
}

// Tables of the widths that came last.
struct Widths {
    Diodes tables[DIODES];
    int next = 0;
    int64_t groups = 0;

    // For a row of the group begun last: none that another row of this group has taken is made over.
    const Diodes* of(double width) {
        for (int i = 0; i < DIODES; i++) {
            if (tables[i].width == width) return taken(&tables[i]);
        }
        // there are more tables than rows in a group
        while (tables[next].group == groups) next = (next + 1) % DIODES;
        Diodes* oldest = &tables[next];
        next = (next + 1) % DIODES;
        oldest->make(width);
        return taken(oldest);
    }

    const Diodes* taken(Diodes* table) {
        table->group = groups;
        return table;
    }
};

}  // namespace

}  // namespace listen::LISTEN_LEVEL
