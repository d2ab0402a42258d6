// The phase of each sample, and the short frames along it. Phases are in cycles, never in radians: rounding to the
// nearest whole cycle is then a subtraction.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr double PI = 3.14159265358979323846;
constexpr int64_t ADDED = 256;
// In single precision no more than so many numbers are added up at a time.

// Cosine of an angle up to a right angle from its square, in single precision and as exact as that: Taylor's series.
LISTEN_INLINE float cosine_of(float q) {
    return 1.0f +
           q * (-1.0f / 2.0f +
                q * (1.0f / 24.0f +
                     q * (-1.0f / 720.0f + q * (1.0f / 40320.0f + q * (-1.0f / 3628800.0f + q * (1.0f / 479001600.0f))))));
}

// Sine over the angle, alike.
LISTEN_INLINE float sine_of(float q) {
    return 1.0f +
           q * (-1.0f / 6.0f +
                q * (1.0f / 120.0f + q * (-1.0f / 5040.0f + q * (1.0f / 362880.0f + q * (-1.0f / 39916800.0f)))));
}

// First sample at which the rising phase reaches a target.
int64_t sample_of(Doubles phase, Doubles dphi, double target, int64_t guess) {
    const int64_t n = phase.n;
    int64_t at = within(guess, 0, n - 1);
    if (dphi[at] > 0.0) at = whole((double)at + (target - phase[at]) / dphi[at], 0, n);
    while (at > 0 && phase[at - 1] >= target) at--;
    while (at < n && phase[at] < target) at++;
    return at;
}

}  // namespace

void phase_samples(Doubles knots, Doubles turns, Doubles slopes, int64_t first, Row<double> dphi, Row<double> phase) {
    const int64_t n = phase.n, pieces = knots.n - 1;
    for (int64_t k = 0; k < pieces; k++) {
        const double a = knots[k], b = knots[k + 1];
        int64_t start = k == 0 ? 0 : within(whole(ceil(a), -FAR, FAR) - first, 0, n);
        const int64_t stop = k == pieces - 1 ? n : within(whole(ceil(b), -FAR, FAR) - first, 0, n);
        const double h = b - a, p0 = turns[k];
        const double d0 = slopes[k] * h, d1 = slopes[k + 1] * h, dp = turns[k + 1] - p0;
        const double c2 = 3.0 * dp - 2.0 * d0 - d1, c3 = d0 + d1 - 2.0 * dp;
        const double inv = 1.0 / h, offset = (double)(start + first) - a;
        LISTEN_INDEPENDENT
        for (int64_t j = start; j < stop; j++) {
            const double u = ((double)(j - start) + offset) * inv;
            dphi[j] = (d0 + u * (2.0 * c2 + 3.0 * u * c3)) * inv;
            phase[j] = p0 + u * (d0 + u * (c2 + u * c3));
        }
    }
}

void turn_down(Doubles x, Doubles dphi, Doubles phase, Table<float> out) {
    const Row<float> cosines = out[0], sines = out[1], squares = out[2], weights = out[3];
    LISTEN_INDEPENDENT
    for (int64_t j = 0; j < x.n; j++) {
        // half the angle, then doubled
        const float y = (float)((phase[j] - rint(phase[j])) * PI);
        const float q = y * y, s = y * sine_of(q), c = cosine_of(q);
        const float weighted = (float)(x[j] * dphi[j]), twice = s + s;
        cosines[j] = weighted * (1.0f - twice * s);
        sines[j] = weighted * (twice * c);
        squares[j] = weighted * (float)x[j];
        weights[j] = weighted;
    }
}

void short_frames(
    Table<const float> turned, Doubles dphi, Doubles phase, Doubles centres, Doubles cycles, Table<double> out) {
    const Floats cosines = turned[0], sines = turned[1], squares = turned[2], weights = turned[3];
    int64_t first = 0;
    for (int64_t i = 0; i < centres.n; i++) {
        const double centre = centres[i], scale = PI / cycles[i];
        first = sample_of(phase, dphi, centre - 0.5 * cycles[i], first);
        const int64_t last = sample_of(phase, dphi, centre + 0.5 * cycles[i], first);
        double re = 0.0, im = 0.0, square = 0.0, mean = 0.0, weight = 0.0;
        for (int64_t start = first; start < last; start += ADDED) {
            const int64_t stop = least(start + ADDED, last);
            float part_re = 0.0f, part_im = 0.0f, part_square = 0.0f, part_mean = 0.0f, part_weight = 0.0f;
            for (int64_t j = start; j < stop; j++) {
                const float y = (float)((phase[j] - centre) * scale);
                const float c = cosine_of(y * y), w = c * c;
                part_weight += w * (float)dphi[j];
                part_re += w * cosines[j];
                part_im -= w * sines[j];
                part_square += w * squares[j];
                part_mean += w * weights[j];
            }
            re += (double)part_re;
            im += (double)part_im;
            square += (double)part_square;
            mean += (double)part_mean;
            weight += (double)part_weight;
        }
        const bool any = weight > 0.0;
        out[i][0] = any ? 2.0 * re / weight : 0.0;
        out[i][1] = any ? 2.0 * im / weight : 0.0;
        out[i][2] = any ? square / weight : 0.0;
        out[i][3] = any ? mean / weight : 0.0;
    }
}

}  // namespace listen::LISTEN_LEVEL
