//! Networks solved, and held against published examples, a general-purpose
//! solver, the laws of circuits and the slow solution of the whole network.

mod fixtures;
mod gradients;
mod linear;
mod loading;
mod near;
mod overlays;
mod own_law;
mod random;
mod several_states;
mod states;
mod tubes;
mod unmoved;
