// The rough pitch of each hop: peaks of its spectra, and how much the signal differs from itself one period later.
#include <math.h>

#include "kernels.hpp"

namespace listen::LISTEN_LEVEL {

namespace {

constexpr int64_t LEVELS = 3, ORDERS = 17;
constexpr double LEAST_BESIDE = 1e-3;
// Bins beside a peak count as no lower than this part of it: a line's neighbours in a Hann window are 20 dB below it at
// the most, and next to an empty bin a parabola has no sense.
constexpr double NOT_YET = 3e-4;
// Below this part of the highest bin no peak counts, nor hides another: 2.5e-3, 0.3, and 2.4 by a parabola.
constexpr double LONGEST = 1e12;
// No period is longer: places beyond are still integers.

struct Spectra {
    Floats level[LEVELS];
    Doubles rates, edges;
    double size, lowest;

    double spacing(int64_t k) const { return rates[k] / size; }
    int64_t bin(double hz, int64_t k) const { return whole(hz / spacing(k), 0, FAR); }
};

struct Signals {
    Floats level[LEVELS];
    Row<const int64_t> hop;
    Doubles rates;
    double lowest;

    // The coarsest of the three rates that still has 24 samples a period at half of it.
    int64_t level_for(double hz) const {
        int64_t k = 0;
        while (k < LEVELS - 1 && 0.5 * rates[k + 1] / hz >= 24.0) k++;
        return k;
    }
};

// Append the local maxima of power[low .. high] to peaks: frequency, power, level.
int64_t peak_bins(Floats power, int64_t low, int64_t high, double base, const Spectra& spectra, int64_t level,
                  Table<double> peaks, int64_t count) {
    for (int64_t b = most(low, 1); b < least(high, power.n - 1); b++) {
        const double p = power[b];
        if (!(p > base && p > power[b - 1] && p >= power[b + 1])) continue;
        if (count >= peaks.rows) break;
        const double la = log(most((double)power[b - 1], LEAST_BESIDE * p)), lb = log(p);
        const double lc = log(most((double)power[b + 1], LEAST_BESIDE * p));
        const double curve = la - 2.0 * lb + lc, shift = curve < 0.0 ? 0.5 * (la - lc) / curve : 0.0;
        peaks[count][0] = ((double)b + shift) * spectra.spacing(level);
        peaks[count][1] = exp(lb - 0.25 * (la - lc) * shift);
        peaks[count][2] = (double)level;
        count++;
    }
    return count;
}

// The highest of the local maxima of power[low .. high], or found if that is higher.
float highest_of(Floats power, int64_t low, int64_t high, float found) {
    for (int64_t b = most(low, 1); b < least(high, power.n - 1); b++) {
        const float p = power[b];
        if (p > found && p > power[b - 1] && p >= power[b + 1]) found = p;
    }
    return found;
}

void move_peak(Table<double> peaks, int64_t from, int64_t to) {
    for (int64_t column = 0; column < 3; column++) peaks[to][column] = peaks[from][column];
}

// A peak on the edge of two spectra is taken from the coarser rate's, which shows it first.
int64_t without_doubles(Table<double> peaks, int64_t first, int64_t count, double spacing, double bottom_hz) {
    int64_t kept = first;
    for (int64_t p = first; p < count; p++) {
        bool twice = false;
        for (int64_t q = 0; q < first; q++) {
            const bool near = fabs(peaks[q][0] - peaks[p][0]) < 1.5 * spacing;
            twice |= near && peaks[q][1] > 0.3 * peaks[p][1] && peaks[p][0] < bottom_hz + 2.0 * spacing;
        }
        if (!twice) move_peak(peaks, p, kept++);
    }
    return kept;
}

double top_of(Table<double> peaks, int64_t count) {
    double top = 0.0;
    for (int64_t p = 0; p < count; p++) top = most(top, peaks[p][1]);
    return top;
}

// Local maxima of one hop within 26 dB of the strongest, lowest first.
int64_t gather_peaks(const Spectra& spectra, Table<double> peaks) {
    float highest = 0.0f;
    double bottom_hz = spectra.lowest;
    for (int64_t k = LEVELS - 1; k >= 0; k--) {
        const int64_t low = spectra.bin(bottom_hz, k), high = spectra.bin(spectra.edges[k], k) + 2;
        highest = highest_of(spectra.level[k], low, high, highest);
        bottom_hz = spectra.edges[k];
    }
    const double base = most(1e-14, NOT_YET * (double)highest);
    bottom_hz = spectra.lowest;
    int64_t count = 0;
    for (int64_t k = LEVELS - 1; k >= 0; k--) {
        const int64_t first = count, low = spectra.bin(bottom_hz, k), high = spectra.bin(spectra.edges[k], k) + 2;
        count = peak_bins(spectra.level[k], low, high, base, spectra, k, peaks, count);
        if (k < LEVELS - 1) count = without_doubles(peaks, first, count, spectra.spacing(k), bottom_hz);
        bottom_hz = spectra.edges[k];
    }
    const double top = top_of(peaks, count);
    int64_t kept = 0;
    for (int64_t p = 0; p < count; p++) {
        if (peaks[p][1] > 2.5e-3 * top) move_peak(peaks, p, kept++);
    }
    return kept;
}

// Power of the lines at j f0, j < 2 order and not a multiple of it, and the share of them that is there.
void comb_fill(Table<double> peaks, int64_t count, double f0, int64_t order, double tolerance_hz, double floor_power,
               double* power, double* share) {
    double total = 0.0, filled = 0.0, asked = 0.0;
    for (int64_t j = 1; j < 2 * order; j++) {
        if (j % order == 0) continue;
        asked += 1.0;
        const double target = (double)j * f0;
        double best = 0.0;
        for (int64_t i = 0; i < count; i++) {
            if (fabs(peaks[i][0] - target) < tolerance_hz + 0.01 * target && peaks[i][1] > best) best = peaks[i][1];
        }
        if (best > floor_power) {
            total += best;
            filled += 1.0;
        }
    }
    *power = total;
    *share = filled / asked;
}

// The deepest dip of ``periodicity`` among the lags low .. high, shorter lags first: value and lag.
void scan(Floats x, int64_t centre, int64_t low, int64_t high, Row<double> out) {
    double best = 2.0, before = 2.0, here = 2.0;
    int64_t chosen = 0;
    for (int64_t lag = low; lag <= high; lag++) {
        const double after = periodicity(x, centre, lag, (int64_t)(1.5 * (double)lag) + 2);
        if (here <= before && here < after && here < best - 0.02) {
            best = here;
            chosen = lag - 1;
        }
        before = here;
        here = after;
    }
    out[0] = best;
    out[1] = (double)chosen;
}

// Many samples a period: the shortest period after which the signal is itself again, as good as any longer one.
void by_likeness(const Signals& signals, double strong_hz, Table<double> room, Row<double> out) {
    const Row<double> fit = room[0], differences = room[1], periods = room[2];
    for (int64_t order = 0; order < ORDERS; order++) {
        differences[order] = 9.0;
        periods[order] = 0.0;
    }
    int64_t best_order = 0;
    double least_found = 2.0;
    for (int64_t order = 1; order < ORDERS; order++) {
        const double hz = strong_hz / (double)order;
        if (hz < signals.lowest) continue;
        const int64_t k = signals.level_for(hz);
        best_period(signals.level[k], signals.hop[k], 0.5 * signals.rates[k] / hz, fit);
        differences[order] = fit[0];
        periods[order] = 2.0 * fit[1] / signals.rates[k];
        if (fit[0] < least_found) {
            least_found = fit[0];
            best_order = order;
        }
        if (order == 1 && fit[0] < 0.004) break;
    }
    for (int64_t order = 1; order <= best_order; order++) {
        if (differences[order] < 9.0 && differences[order] <= 1.1 * least_found + 0.04) {
            best_order = order;
            break;
        }
    }
    if (best_order == 0) return;
    double period = periods[best_order], unlike = differences[best_order];
    if (least_found > 0.05 && strong_hz < 300.0) {
        // lines too close to be told apart: search all lags
        unlike = least_found;
        for (int64_t k = 1; k < LEVELS; k++) {
            const int64_t high = whole(least(0.5 * signals.rates[k] / signals.lowest, 110.0), 0, 110);
            scan(signals.level[k], signals.hop[k], 22, high, fit);
            if (!(fit[1] > 0.0 && fit[0] < 0.7 * least_found - 0.005)) continue;
            best_period(signals.level[k], signals.hop[k], fit[1], fit);
            if (fit[0] < unlike) {
                unlike = fit[0];
                period = 2.0 * fit[1] / signals.rates[k];
            }
        }
    }
    out[0] = 1.0 / period;
    out[1] = unlike;
}

// Part of a spectrum's power that lies at multiples of f0.
double inside(Floats spectrum, double f0, double spacing, int64_t stop) {
    double at_lines = 0.0, total = 1e-300;
    for (int64_t b = 2; b < least(stop, spectrum.n); b++) {
        const double power = spectrum[b], hz = (double)b * spacing, k = floor(hz / f0 + 0.5);
        total += power;
        if (k >= 1.0 && fabs(hz - k * f0) <= 2.6 * spacing + 0.01 * hz) at_lines += power;
    }
    return at_lines / total;
}

// Which harmonic the strongest line is, from the lines that lie below and between.
double order_by_lines(
    Table<double> peaks, int64_t count, double strong_hz, double top, double fine, double tolerance_hz) {
    double best_power = 0.01 * top, chosen = 1.0;
    for (int64_t order = 2; order < ORDERS; order++) {
        const double hz = strong_hz / (double)order;
        if (hz < 6.0 * fine) break;
        double power, share;
        comb_fill(peaks, count, hz, order, tolerance_hz, 0.004 * top, &power, &share);
        if (share >= 0.5 && power > 1.25 * best_power) {
            best_power = power;
            chosen = (double)order;
        }
    }
    return chosen;
}

// Few samples a period: the lines lie far apart, look for those below the strongest.
void by_lines(const Spectra& spectra, const Signals& signals, Table<double> peaks, int64_t count, double strong_hz,
              double top, Row<double> fit, Row<double> out) {
    const double spacing = spectra.spacing(0), fine = spectra.spacing(1);
    const double tolerance_hz = strong_hz < spectra.edges[1] ? fine : spacing;
    double f0 = strong_hz / order_by_lines(peaks, count, strong_hz, top, fine, tolerance_hz);
    double unlike = 1.0 - inside(spectra.level[0], f0, spacing, spectra.bin(spectra.edges[0], 0) + 1);
    if (unlike > 0.03) {
        // orders whose lines the spectra cannot part: ask the signal itself
        for (int64_t order = 2; order < ORDERS; order++) {
            const double hz = strong_hz / (double)order;
            if (hz >= 6.0 * fine || hz < spectra.lowest || 0.5 * spectra.rates[0] / hz < 24.0) continue;
            const int64_t k = signals.level_for(hz);
            best_period(signals.level[k], signals.hop[k], 0.5 * spectra.rates[k] / hz, fit);
            if (1.1 * fit[0] + 0.04 < unlike) {
                unlike = fit[0];
                f0 = 0.5 * spectra.rates[k] / fit[1];
            }
        }
    }
    out[0] = f0;
    out[1] = unlike;
}

}  // namespace

double periodicity(Floats x, int64_t centre, int64_t lag, int64_t span) {
    const int64_t length = span + lag;
    const int64_t start = least(most(within(centre, -FAR, FAR) - length / 2, 0), x.n - length);
    if (start < 0) return 2.0;
    double mean = 0.0;
    for (int64_t i = start; i < start + length; i++) mean += (double)x[i];
    mean /= (double)length;
    double power = 0.0, difference = 0.0;
    for (int64_t i = start; i < start + span; i++) {
        const double a = (double)x[i] - mean, b = (double)x[i + lag] - mean;
        power += a * a + b * b;
        difference += (a - b) * (a - b);
    }
    return power > 0.0 ? difference / power : 2.0;
}

void best_period(Floats x, int64_t centre, double period, Row<double> out) {
    const double about = least(period, LONGEST);
    const int64_t low = most(whole(about * 0.96, 0, FAR) - 1, 2), high = whole(about * 1.04, 0, FAR) + 2;
    const int64_t span = whole(1.5 * about, 0, FAR) + 2;
    double best = 2.0;
    int64_t best_lag = low;
    // a lag that leaves no room for what is compared is 2, and so are all longer ones
    for (int64_t lag = low; lag <= high && span + lag <= x.n; lag++) {
        const double value = periodicity(x, centre, lag, span);
        if (value < best) {
            best = value;
            best_lag = lag;
        }
    }
    const double before = periodicity(x, centre, best_lag - 1, span), after = periodicity(x, centre, best_lag + 1, span);
    const double curvature = before - 2.0 * best + after;
    double shift = 0.0;
    if (curvature > 0.0) shift = least(most(0.5 * (before - after) / curvature, -0.5), 0.5);
    out[0] = most(best - 0.25 * (before - after) * shift, 0.0);
    out[1] = (double)best_lag + shift;
}

void coarse_pitch(Table<const float> spectra0, Table<const float> spectra1, Table<const float> spectra2, Floats d0,
                  Floats d1, Floats d2, Table<const int64_t> hops, Doubles rates, int64_t size, Doubles edges,
                  double lowest, Table<double> peaks, Table<double> room, Table<double> out) {
    for (int64_t i = 0; i < hops.rows; i++) {
        const Spectra spectra = {{spectra0[i], spectra1[i], spectra2[i]}, rates, edges, (double)size, lowest};
        const Signals signals = {{d0, d1, d2}, hops[i], rates, lowest};
        const Row<double> row = out[i];
        row[0] = row[2] = row[3] = 0.0;
        row[1] = 2.0;
        const int64_t count = gather_peaks(spectra, peaks);
        const double top = top_of(peaks, count);
        row[2] = top;
        int64_t strong = 0;
        while (strong < count && !(peaks[strong][1] > 0.4 * top)) strong++;
        if (strong == count || !(top > 0.0)) continue;
        const double strong_hz = peaks[strong][0];
        row[3] = strong_hz;
        if (0.5 * rates[0] / strong_hz >= 24.0) {
            by_likeness(signals, strong_hz, room, row);
        } else {
            by_lines(spectra, signals, peaks, count, strong_hz, top, room[0], row);
        }
    }
}

}  // namespace listen::LISTEN_LEVEL
