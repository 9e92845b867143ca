/** `motepost stations explain`: one figure of a station of an archive, in whichever of its stores it lies. */
import { refuse, say, wrongUse } from './desk.js'
import { explainFigure, type ExplainOptions } from './explain.js'
import { readAnew } from './explain-source.js'
import { explainJson, explainText } from './explain-words.js'
import { figureKinds } from './figure-kinds.js'
import { storesOf } from './stations-figures.js'

export interface StationsExplainOptions extends Pick<
  ExplainOptions,
  'channel' | 'unit' | 'zone' | 'limits' | 'ownLimits' | 'correction' | 'json'
> {
  readonly archive: string
}

/** @returns exit code: 0 explained, 1 there is no such figure in any of its stores, 2 wrong use */
export async function stationsExplain(
  station: string,
  figure: string,
  when: readonly string[],
  { archive, ...options }: StationsExplainOptions,
): Promise<number> {
  if (!Object.hasOwn(figureKinds, figure))
    return refuse(wrongUse(`'${figure}' is none of ${Object.keys(figureKinds).join(', ')}`))
  const stores = await storesOf(archive, [station])
  if (!stores.ok) return refuse(stores)
  const told: string[] = []
  let missing: Parameters<typeof refuse>[0] | undefined
  for (const { folder } of stores.value) {
    const explained = await explainFigure(figure, when, { ...options, store: folder }, readAnew)
    // After a new card the figure lies in one store, and the others know nothing of that time.
    if (!explained.ok && explained.code === 2) return refuse(explained)
    if (!explained.ok) missing = explained
    else {
      const { asked, all } = explained.value
      told.push(options.json ? explainJson(asked, all) : explainText(asked, all).join('\n'))
    }
  }
  if (told.length === 0 && missing) return refuse(missing)
  await say(told.join('\n\n'))
  return 0
}
