// A table for segments of the mission's kind.
import type { Segmentation } from '../mission/segmentation.js';
import { ChunkTable } from './chunk-table.js';
import { NumberedTable, OffsetTable, type SegmentTable } from './segment-table.js';

export function newTable({ byOffset, payloadSize, varies }: Segmentation): SegmentTable {
  return varies ? new ChunkTable() : byOffset ? new OffsetTable(payloadSize) : new NumberedTable(payloadSize);
}
