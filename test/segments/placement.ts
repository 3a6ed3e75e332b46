// Compares placements with the truth of a small campaign.
import { expect } from 'vitest';
import type { Mission } from '../../src/mission/mission.js';
import { type Placement, placeTransmissions, transmissionOrder } from '../../src/segments/transmission.js';
import { FRAME_SECONDS, type Heard, heardRecording, type Session } from '../support/campaign.js';

export type Named = {
  readonly frame: Heard;
  readonly placement: Placement;
  readonly order: number;
  readonly counter: number;
};

/** Every intact frame of the sessions with the name its transmission got. */
export function nameFrames(mission: Mission, sessions: readonly Session[], frameSeconds?: number): Named[] {
  const recordings = sessions.map((session) => heardRecording(mission, session));
  const placements = placeTransmissions(recordings, mission.frame!.fields.counter.bits, frameSeconds);
  return sessions.flatMap(({ heard }, s) => {
    const { runs, xxh64 } = recordings[s]!;
    const intact = heard.filter(({ damaged }) => !damaged);
    const names = runs.flatMap(({ stretch, counter, count }) => {
      const placement = placements.get(xxh64)![stretch]!;
      return Array.from({ length: count }, (_, i) => ({
        placement,
        order: transmissionOrder(placement, counter + i),
        counter: counter + i + placement.shift,
      }));
    });
    expect(names).toHaveLength(intact.length);
    return names.map((name, i) => ({ ...name, frame: intact[i]! }));
  });
}

/** Same transmission, same name; other transmission, other name. Frames whose CRC passed by accident may have any name. */
export function expectTrueNames(named: readonly Named[]): void {
  const ofTime = new Map<number, number>();
  const ofOrder = new Map<number, number>();
  let wrong = 0;
  for (const { frame, order } of named) {
    if (frame.accident) continue;
    if ((ofTime.get(frame.time) ?? order) !== order || (ofOrder.get(order) ?? frame.time) !== frame.time) wrong++;
    ofTime.set(frame.time, order);
    ofOrder.set(order, frame.time);
  }
  expect(wrong, 'frames named unlike their transmission').toBe(0);
}

/** Names rise with the time of sending, and count what was sent between two frames of one on-board run. */
export function expectTrueOrder(named: readonly Named[]): void {
  const sorted = named.filter(({ frame }) => !frame.accident).sort((a, b) => a.frame.time - b.frame.time);
  let wrong = 0;
  sorted.slice(1).forEach((next, i) => {
    const last = sorted[i]!;
    const sameRun = last.frame.run === next.frame.run;
    const step = next.order - last.order;
    if (sameRun ? step !== next.frame.time - last.frame.time : step <= 0) wrong++;
    if (sameRun !== (last.placement.onboardRun === next.placement.onboardRun)) wrong++;
  });
  expect(wrong, 'frames out of order').toBe(0);
}

export { FRAME_SECONDS };
