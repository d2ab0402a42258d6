// Arrays as kernels see them: a place and lengths, rows one after another. Nothing here has code of its own outside of
// the function that uses it: the same header is compiled for several processors, and the linker keeps one copy of what
// is not inlined.
#pragma once

#include <stddef.h>
#include <stdint.h>

#if defined(__clang__)
#define LISTEN_INLINE inline __attribute__((always_inline))
#define LISTEN_INDEPENDENT _Pragma("clang loop vectorize(assume_safety)")
#elif defined(__GNUC__)
#define LISTEN_INLINE inline __attribute__((always_inline))
#define LISTEN_INDEPENDENT _Pragma("GCC ivdep")
#elif defined(_MSC_VER)
#define LISTEN_INLINE __forceinline
#define LISTEN_INDEPENDENT __pragma(loop(ivdep))
#else
#define LISTEN_INLINE inline
#define LISTEN_INDEPENDENT
#endif
// LISTEN_INDEPENDENT: no turn of the loop reads what another one writes, so that several may be done at once.

#ifdef LISTEN_CHECKED
extern "C" [[noreturn]] void listen_outside(int64_t index, int64_t length);
#define LISTEN_INSIDE(index, length) \
    if ((index) < 0 || (index) >= (length)) listen_outside(index, length)
#else
#define LISTEN_INSIDE(index, length)
#endif

namespace listen {

template <class T>
struct Row {
    T* data;
    int64_t n;

    LISTEN_INLINE T& operator[](int64_t i) const {
        LISTEN_INSIDE(i, n);
        return data[i];
    }
};

template <class T>
struct Table {
    T* data;
    int64_t rows, columns;

    LISTEN_INLINE Row<T> operator[](int64_t i) const {
        LISTEN_INSIDE(i, rows);
        return {data + i * columns, columns};
    }
};

template <class T>
struct Cube {
    T* data;
    int64_t n, rows, columns;

    LISTEN_INLINE Table<T> operator[](int64_t i) const {
        LISTEN_INSIDE(i, n);
        return {data + i * rows * columns, rows, columns};
    }
};

template <class T>
struct Block {
    T* data;
    int64_t m, n, rows, columns;

    LISTEN_INLINE Cube<T> operator[](int64_t i) const {
        LISTEN_INSIDE(i, m);
        return {data + i * n * rows * columns, n, rows, columns};
    }
};

using Floats = Row<const float>;
using Doubles = Row<const double>;
using Ints = Row<const int64_t>;

LISTEN_INLINE int64_t least(int64_t a, int64_t b) { return b < a ? b : a; }
LISTEN_INLINE int64_t most(int64_t a, int64_t b) { return a < b ? b : a; }
LISTEN_INLINE double least(double a, double b) { return b < a ? b : a; }
LISTEN_INLINE double most(double a, double b) { return a < b ? b : a; }
LISTEN_INLINE int64_t within(int64_t value, int64_t low, int64_t high) { return least(most(value, low), high); }

// Whole part of a number, no lower than low and no higher than high; low for NaN: a cast alone is not defined for what
// an integer does not hold.
LISTEN_INLINE int64_t whole(double value, int64_t low, int64_t high) {
    if (!(value > (double)low)) return low;
    return value >= (double)high ? high : (int64_t)value;
}

constexpr int64_t FAR = (int64_t)1 << 52;
// Places beyond this are beyond any array, and twice as far is still an integer.

// The most lines of a frame from which its pitch is settled.
constexpr int64_t MOST_PITCH_LINES = 32;

// Remainder from 0 to size - 1.
LISTEN_INLINE int64_t modulo(int64_t value, int64_t size) {
    const int64_t rest = value % size;
    return rest < 0 ? rest + size : rest;
}

}  // namespace listen
