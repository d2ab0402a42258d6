// Every kernel, once for each kind of processor. What each computes is said in kernels.pyi and, in plain Python, in
// listen/track/reference*.py; whoever calls one has seen to it that all its places lie within its arrays (arrays.hpp).
#pragma once

#include "views.hpp"

#define LISTEN_EACH_KERNEL(K)                                                                                          \
    /* signal.cpp */                                                                                                   \
    K(void, decimate, (Floats x, Floats taps, int64_t step, Row<float> out))                                           \
    K(void, decimate_near,                                                                                             \
      (Floats x, Floats taps, int64_t step, Ints centres, int64_t reach, Row<float> out))                              \
    K(void, line_powers, (Cube<const float> spectra, double scale, Table<float> out))                                  \
    K(void, take_windows, (Floats x, Ints centres, Doubles window, Table<float> out))                                  \
    K(void, window_powers, (Doubles x, Ints starts, int64_t width, Row<double> out))                                   \
    /* coarse.cpp */                                                                                                   \
    K(double, periodicity, (Floats x, int64_t centre, int64_t lag, int64_t span))                                      \
    K(void, best_period, (Floats x, int64_t centre, double period, Row<double> out))                                   \
    K(void, coarse_pitch,                                                                                              \
      (Table<const float> spectra0, Table<const float> spectra1, Table<const float> spectra2, Floats d0, Floats d1,    \
       Floats d2, Table<const int64_t> hops, Doubles rates, int64_t size, Doubles edges, double lowest,                \
       Table<double> peaks, Table<double> room, Table<double> out))                                                    \
    /* phase.cpp */                                                                                                    \
    K(void, phase_samples,                                                                                             \
      (Doubles knots, Doubles turns, Doubles slopes, int64_t first, Row<double> dphi, Row<double> phase))              \
    K(void, short_frames,                                                                                              \
      (Doubles knots, Doubles turns, Doubles slopes, int64_t first, Doubles x, Doubles centres, Doubles cycles,        \
       Table<double> sums, Table<double> out))                                                                         \
    /* knots.cpp */                                                                                                    \
    K(int64_t, place_knots,                                                                                            \
      (Doubles samples, Doubles turns, Doubles slopes, double spacing, double start, double stop, Table<double> out))  \
    K(void, settle_knots,                                                                                              \
      (Table<const double> knots, Table<const double> sums, double order, Doubles smoother, double within_cycles,      \
       Table<double> out))                                                                                             \
    K(void, curve_points, (Doubles samples, Doubles turns, Doubles slopes, Doubles places, Table<double> out))         \
    K(int64_t, torn_places,                                                                                            \
      (Doubles values, int64_t side, int64_t gap, double least_jump, double over_noise, Table<double> fits,            \
       Table<double> out, Row<int64_t> found))                                                                         \
    K(void, lay_frames,                                                                                                \
      (Doubles samples, Doubles slopes, Doubles calm, Doubles centres, Doubles middle, Doubles slope, Doubles cycles,  \
       double bent, double low, double high, Table<double> out))                                                       \
    /* points.cpp */                                                                                                   \
    K(void, grid_places,                                                                                               \
      (Doubles knots, Doubles turns, Doubles slopes, int64_t points, int64_t start, double origin, Row<double> place,  \
       Row<double> dphi))                                                                                              \
    K(void, interpolate,                                                                                               \
      (Floats x, Doubles place, double origin, Floats middle, Cube<const float> table, Table<int64_t> rows,            \
       Row<float> shares, Row<float> twice, Row<float> out))                                                           \
    /* grid.cpp */                                                                                                     \
    K(void, turn_table, (int64_t size, Row<double> cosine, Row<double> sine))                                          \
    K(void, sum_cycles,                                                                                                \
      (Floats y, Doubles dphi, int64_t start, int64_t points, int64_t lap, Ints centres, Ints cycles,                  \
       Table<double> scratch, Table<double> folded, Table<double> tilted, Table<double> means))                        \
    K(void, leave, (Floats y, int64_t start, Ints centres, Table<const float> tables, Doubles dc, Row<float> out))     \
    K(void, residual_histogram,                                                                                        \
      (Floats r, int64_t start, int64_t points, int64_t lap, Ints edges, Doubles crests, int64_t bins,                 \
       Table<float> scratch, Cube<float> out))                                                                         \
    K(void, gather_blocks,                                                                                             \
      (Floats r, Doubles place, int64_t first, int64_t last, double origin, int64_t block, Table<double> low))         \
    /* interharmonics.cpp */                                                                                           \
    K(int64_t, interharmonic_room, (int64_t size))                                                                     \
    K(void, interharmonic_lines,                                                                                       \
      (Floats r, int64_t points, int64_t cycles, Ints centres, Ints last, Ints first, int64_t high, Row<float> room,   \
       Row<int32_t> places, Table<double> out, Table<float> halves))                                                   \
    /* lines.cpp */                                                                                                    \
    K(void, line_pitches,                                                                                              \
      (Block<const double> spectra, Doubles scale, Ints tops, Ints cycles, double apart, Cube<double> amplitude,       \
       Table<double> turned, Row<int64_t> used, Table<double> sums, Row<int64_t> far))                                 \
    /* orders.cpp */                                                                                                   \
    K(void, loud_orders, (Cube<const double> amplitude, Ints limits, Doubles least_power, Row<int64_t> out))           \
    K(void, high_orders, (Cube<const double> amplitude, Ints limits, int64_t first, Table<double> out))                \
    /* shape.cpp */                                                                                                    \
    K(int64_t, shape_room, (int64_t points))                                                                           \
    K(void, cycle_shapes,                                                                                              \
      (Cube<const double> amplitude, Ints rows, Ints limits, Doubles least_power, double jump, int64_t points,         \
       Row<float> room, Row<double> taper, Table<double> out))                                                         \
    /* stages.cpp */                                                                                                   \
    K(void, staged_lines,                                                                                              \
      (Table<const double> table, Table<const double> returned, bool solved, bool own_levels, bool own_slope,          \
       bool inside, bool second_stage, Table<double> room, Table<double> out))                                         \
    /* fft.cpp */                                                                                                      \
    K(int64_t, room_for, (int64_t size, int64_t item))                                                                 \
    K(void, spectra_single, (Table<const float> frames, Row<float> room, Cube<float> out))                             \
    K(void, spectra_double, (Table<const double> frames, Row<double> room, Cube<double> out))                          \
    K(void, rows_single, (Cube<const float> spectra, double scale, Row<float> room, Table<float> out))                 \
    /* hum.cpp */                                                                                                      \
    K(void, level_windows, (Doubles rest, int64_t step, Doubles window, Table<double> out, Row<double> lost))          \
    K(void, limit_strays, (Doubles values, double times, Row<double> sorted, Row<double> out))                         \
    K(void, line_levels,                                                                                               \
      (Cube<const double> spectra, double scale, Ints near_bins, Ints near_ends, Ints beside, Ints beside_ends,        \
       Row<double> room, Cube<double> out))

namespace listen {

struct Kernels {
#define K(result, name, arguments) result(*name) arguments;
    LISTEN_EACH_KERNEL(K)
#undef K
};

#ifdef LISTEN_LEVEL
namespace LISTEN_LEVEL {
#define K(result, name, arguments) result name arguments;
LISTEN_EACH_KERNEL(K)
#undef K
extern const Kernels kernels;
}  // namespace LISTEN_LEVEL
#endif

}  // namespace listen
