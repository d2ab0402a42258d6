// Harmonics over the first, and those that go round the loop of a Wien bridge.
#pragma once

#include <math.h>

#include "lanes.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr int ORDERS = 10;
constexpr double LOOP_GAIN = 0.75;
// As in listen/account/curve/wave.py, where each has its reason.

// Harmonics 2 .. 10 over the first.
struct Relative {
    Lanes<double> re[ORDERS - 1], im[ORDERS - 1];
};

// Of harmonics 1 .. 10, those from the second on over the first, phases from its own; after a high-pass of the first
// order and a roll-off.
void relative_lines(const double* re, const double* im, double corner, double lag, double* out_re, double* out_im) {
    double c = 1.0, s = 0.0, first = 1.0, turn_c = 1.0, turn_s = 0.0;
    for (int k = 1; k <= ORDERS; k++) {
        // over 1 - j corner / k
        const double off = corner / (double)k, size = 1.0 + off * off;
        const double x = (re[k - 1] - im[k - 1] * off) / size, y = (im[k - 1] + re[k - 1] * off) / size;
        // and over 1 + j lag k
        const double late = lag * (double)k, rolled = 1.0 + late * late;
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
            out_re[k - 2] = (a * turn_c - b * turn_s) / first;
            out_im[k - 2] = (a * turn_s + b * turn_c) / first;
        }
    }
}

// Harmonics 1 .. 10 of the input over its first.
struct Input {
    Lanes<double> re[ORDERS], im[ORDERS];
};

// What a Wien network feeds back of harmonic k over what it feeds back of the first, the pitch over its own given.
LISTEN_INLINE void network(Lanes<double> pitch, int k, Lanes<double>* re, Lanes<double>* im) {
    const Lanes<double> one = splat(1.0), own = (pitch - one / pitch) / 3.0;
    const Lanes<double> x = pitch * (double)k, off = (x - one / x) / 3.0, size = one + off * off;
    // (1 + j own) / (1 + j off)
    *re = (one + own * off) / size;
    *im = (own - off) / size;
}

void feed_back(const Relative& lines, Lanes<double> pitch, Input* input) {
    input->re[0] = splat(1.0);
    input->im[0] = splat(0.0);
    for (int k = 2; k <= ORDERS; k++) {
        Lanes<double> re, im;
        network(pitch, k, &re, &im);
        const Lanes<double> a = lines.re[k - 2], b = lines.im[k - 2];
        input->re[k - 1] = a * re - b * im;
        input->im[k - 1] = a * im + b * re;
    }
}

LISTEN_INLINE Lanes<double> limited(Lanes<double> x, Lanes<double> below, Lanes<double> limit) {
    x = where_at_most(x, limit, x, limit);
    return where_at_most(below, x, x, below);
}

// Nearer to where a loop's harmonics go round it and come back as they were: most of what is new comes back again.
void go_round(const Relative& now, Lanes<double> pitch, Relative* lines) {
    const Lanes<double> one = splat(1.0);
    for (int k = 2; k <= ORDERS; k++) {
        Lanes<double> re, im;
        network(pitch, k, &re, &im);
        const Lanes<double> a = one - re * LOOP_GAIN, b = splat(0.0) - im * LOOP_GAIN, size = a * a + b * b;
        const Lanes<double> x = now.re[k - 2] - lines->re[k - 2], y = now.im[k - 2] - lines->im[k - 2];
        // none is stronger than the fundamental
        lines->re[k - 2] = limited(lines->re[k - 2] + (x * a + y * b) / size, splat(0.0) - one, one);
        lines->im[k - 2] = limited(lines->im[k - 2] + (y * a - x * b) / size, splat(0.0) - one, one);
    }
}

}  // namespace

}  // namespace listen::LISTEN_LEVEL
