// NumPy's arrays as the kernels' views: of just that type, in C order, aligned, and writable where a kernel writes.
// Nothing is converted: a result in a copy would be lost.
#pragma once

#include <nanobind/nanobind.h>
#include <nanobind/ndarray.h>

#include <memory>
#include <stdexcept>

#include "kernels.hpp"

namespace nanobind::detail {

template <class View, class T, size_t Axes>
struct view_caster {
    using Array = ndarray<T, ndim<Axes>, c_contig, nanobind::device::cpu>;
    static constexpr auto Name = make_caster<Array>::Name;
    template <class>
    using Cast = View;

    make_caster<Array> array;

    bool from_python(handle source, uint32_t flags, cleanup_list* cleanup) noexcept {
        flags &= ~(uint32_t)cast_flags::convert;
        return array.from_python(source, flags, cleanup) && (uintptr_t)array.value.data() % alignof(T) == 0;
    }
    template <class>
    static constexpr bool can_cast() {
        return true;
    }
    int64_t length(size_t axis) const { return (int64_t)array.value.shape(axis); }
    explicit operator View() {
        T* data = array.value.data();
        if constexpr (Axes == 1) return {data, length(0)};
        if constexpr (Axes == 2) return {data, length(0), length(1)};
        if constexpr (Axes == 3) return {data, length(0), length(1), length(2)};
        if constexpr (Axes == 4) return {data, length(0), length(1), length(2), length(3)};
    }
};

template <class T>
struct type_caster<listen::Row<T>> : view_caster<listen::Row<T>, T, 1> {};
template <class T>
struct type_caster<listen::Table<T>> : view_caster<listen::Table<T>, T, 2> {};
template <class T>
struct type_caster<listen::Cube<T>> : view_caster<listen::Cube<T>, T, 3> {};
template <class T>
struct type_caster<listen::Block<T>> : view_caster<listen::Block<T>, T, 4> {};

}  // namespace nanobind::detail

namespace listen {

namespace nb = nanobind;

// The kernels for this processor, chosen when the module is loaded (levels.cpp).
extern const Kernels* chosen;

constexpr int64_t LARGE = (int64_t)1 << 30;
// Steps, widths and counts are no larger: products of two are still integers.

// Raises ValueError where a call would lead outside of an array.
inline void require(bool holds, const char* what) {
    if (!holds) throw std::invalid_argument(what);
}

inline bool between(int64_t value, int64_t low, int64_t high) { return low <= value && value <= high; }

// Whether a transform takes rows of so many numbers: even products of 2, 3 and 5.
inline bool is_length(int64_t size) {
    if (!between(size, 2, LARGE) || size % 2) return false;
    for (const int64_t prime : {2, 3, 5}) {
        while (size % prime == 0) size /= prime;
    }
    return size == 1;
}

// Numbers that no one has written yet, from a line of the cache on.
template <class T>
class Room {
   public:
    explicit Room(int64_t length) : memory_(new char[(size_t)length * sizeof(T) + 64]), length_(length) {}
    Row<T> all() const {
        const uintptr_t start = (uintptr_t)memory_.get();
        return {(T*)(memory_.get() + (64 - start % 64) % 64), length_};
    }

   private:
    std::unique_ptr<char[]> memory_;
    int64_t length_;
};

// Give a function to Python, its arguments by these names. ``Long`` ones let other threads run meanwhile.
template <bool Long, class Function, class... Names>
void define(nb::module_& module, const char* name, Function function, Names... names) {
    if constexpr (Long) {
        module.def(name, function, nb::arg(names)..., nb::call_guard<nb::gil_scoped_release>());
    } else {
        module.def(name, function, nb::arg(names)...);
    }
}

void define_signal(nb::module_& module);
void define_phase(nb::module_& module);
void define_grid(nb::module_& module);
void define_lines(nb::module_& module);
void define_fft(nb::module_& module);
void define_stages(nb::module_& module);

}  // namespace listen
