// Where the pieces of a run lie in bytes that hold other things between them.

/** Pieces in groups: each lies `stride` behind the one before it and, where a new group begins, `skip` further on. */
export type Spread = {
  /** Of the first piece. */
  start: number;
  stride: number;
  /** Pieces of a group, and which of its group the first piece is, from 0 on. */
  group: number;
  phase: number;
  skip: number;
};

/** Pieces that all lie `stride` behind each other. */
export const EVENLY = { group: 1, phase: 0, skip: 0 } as const;

/** How far behind the first piece the one numbered `index` lies. */
export function distanceTo(index: number, { stride, group, phase, skip }: Spread): number {
  return index * stride + (skip === 0 ? 0 : skip * Math.floor((phase + index) / group));
}

/** The number of the piece that lies at `place`, -1 where none does. */
export function pieceAt(place: number, { start, stride, group, phase, skip }: Spread): number {
  const pitch = group * stride + skip;
  const fromGroup = place - start + phase * stride;
  const groups = Math.floor(fromGroup / pitch);
  const inGroup = (fromGroup - groups * pitch) / stride;
  return Number.isInteger(inGroup) && inGroup < group ? groups * group + inGroup - phase : -1;
}
