import type { UtcMillis } from '../terms/terms.js'

/** By what the people at a site set their watches: a zone with its summers, or a fixed offset. */
export interface WatchPlace {
  readonly timeZone?: string
  readonly standardOffsetMinutes: number
}

export interface WatchTime {
  /** 'YYYY-MM-DD' */
  readonly day: string
  readonly hour: number
  readonly minute: number
}

const months = ['Jan', 'Feb', 'Mar', 'Apr', 'May', 'Jun', 'Jul', 'Aug', 'Sep', 'Oct', 'Nov', 'Dec']

export class Watch {
  private readonly format: Intl.DateTimeFormat | undefined

  constructor(private readonly place: WatchPlace) {
    const { timeZone } = place
    this.format =
      timeZone === undefined
        ? undefined
        : new Intl.DateTimeFormat('en-GB', {
            timeZone,
            hourCycle: 'h23',
            year: 'numeric',
            month: '2-digit',
            day: '2-digit',
            hour: '2-digit',
            minute: '2-digit',
          })
  }

  at(utc: UtcMillis): WatchTime {
    const text = this.format
      ? zoned(this.format, utc)
      : new Date(utc + this.place.standardOffsetMinutes * 60_000).toISOString()
    return { day: text.slice(0, 10), hour: Number(text.slice(11, 13)), minute: Number(text.slice(14, 16)) }
  }

  /** '14:32' where that is today, else '24 Nov 14:32', and with the year where that is another. */
  words(utc: UtcMillis, now: UtcMillis | undefined): string {
    const { day, hour, minute } = this.at(utc)
    const today = now === undefined ? '' : this.at(now).day
    const clock = `${String(hour).padStart(2, '0')}:${String(minute).padStart(2, '0')}`
    if (day === today) return clock
    const year = today !== '' && day.slice(0, 4) !== today.slice(0, 4) ? ` ${day.slice(0, 4)}` : ''
    return `${Number(day.slice(8, 10))} ${months[Number(day.slice(5, 7)) - 1]}${year} ${clock}`
  }
}

function zoned(format: Intl.DateTimeFormat, utc: UtcMillis): string {
  const parts = format.formatToParts(utc)
  const of = (type: string): string => parts.find((part) => part.type === type)?.value ?? ''
  return `${of('year')}-${of('month')}-${of('day')} ${of('hour')}:${of('minute')}`
}
