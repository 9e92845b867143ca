import type { Audience } from './demo-play.js'
import { localText, utcOfSite } from './demo-words.js'
import { story } from '../simulation/slate-hollow.js'

const barCells = 20
/** Steps of the story between two looks of the progress line. */
const secondsBetweenLooks = 900
const clearLine = '\r\x1b[K'

/** The story as it goes on, line by line, with a progress line below; nothing at all where nobody looks. */
export function screenOf(out: {
  isTTY?: boolean
  columns?: number
  write(text: string): unknown
}): Audience & {
  end(): void
} {
  if (!out.isTTY) return { tell: () => undefined, progress: () => undefined, end: () => undefined }
  const width = (out.columns ?? 80) - 1
  let progressText = ''
  let lookedAt = -Infinity
  const show = (above: string): void => void out.write(`${clearLine}${above}${progressText}`)
  return {
    tell(siteSeconds, words, station) {
      const text = `${localText(utcOfSite(siteSeconds))}  ${station ? `${station}: ` : ''}${words}`
      show(text.slice(0, width) + '\n')
    },
    progress(siteSeconds, { players }) {
      if (siteSeconds - lookedAt < secondsBetweenLooks) return
      lookedAt = siteSeconds
      const share = (siteSeconds - story.switchedOn) / (story.ends - story.switchedOn)
      const filled = Math.round(share * barCells)
      const bar = '█'.repeat(filled) + '░'.repeat(barCells - filled)
      const lines = players.reduce((sum, { store }) => sum + store.safeSeq, 0)
      const away = players.reduce((sum, { station }) => sum + station.safeAway, 0)
      progressText =
        `${localText(utcOfSite(siteSeconds))}  ${bar} ${Math.round(share * 100)} %  ${lines} lines, ${away} safe away`.slice(
          0,
          width,
        )
      show('')
    },
    end() {
      progressText = ''
      show('\n')
    },
  }
}
