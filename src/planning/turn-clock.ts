// Which transmission belongs to which rotation: the beam points at the stations' common middle at transmission
// epoch + period * n + drift / 2 * n^2 of turn n.

export type TurnClock = {
  /** Transmission at the middle of turn 0. */
  readonly epoch: number;
  /** Length of turn 0 in transmissions. */
  readonly period: number;
  /** Transmissions by which each turn is longer than the one before. */
  readonly drift: number;
};

/** The transmission at turn `n`, whole or broken; not rounded. */
export function transmissionAt({ epoch, period, drift }: TurnClock, n: number): number {
  return epoch + period * n + (drift / 2) * n * n;
}

/** The turn, with its fraction, of a transmission. */
export function turnAt(clock: TurnClock, transmission: number): number {
  let n = (transmission - clock.epoch) / clock.period;
  if (clock.drift === 0) return n;
  // Newton's method; the drift is small against the period.
  for (let i = 0; i < 3; i++) n -= (transmissionAt(clock, n) - transmission) / (clock.period + clock.drift * n);
  return n;
}
