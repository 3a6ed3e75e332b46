// The list of layers a mission file may name. To add one: write its file, add it here.
import { dvbS2 } from './dvb-s2.js';
import type { LayerDefinition } from './layer.js';
import { stream } from './stream.js';

// biome-ignore lint/suspicious/noExplicitAny: each definition checks its own options by its schema
export const LAYERS: ReadonlyMap<string, LayerDefinition<any>> = new Map(
  [dvbS2, stream].map((layer) => [layer.name, layer]),
);
