import { checkTemplate } from '../delivery/delivery.js'
import { atValue, type Finding, type Look } from './look.js'

/** What is no fault in the block `delivery` and still worth a sentence. */
export const deliveryNotes = (look: Look): Finding[] => [...openPassword(look), ...longTemplates(look)]

const note = (wrong: string, advice: string) => ({ code: 'wrong-text', wrong, advice }) as const

function openPassword(look: Look): Finding[] {
  const security = ['delivery', 'mail', 'security']
  if (look.text(security) !== 'none' || !look.has(['delivery', 'mail', 'password_file'])) return []
  return [
    atValue(
      security,
      note('the password travels in the clear', 'use tls or starttls outside your own network'),
    ),
  ]
}

/** Only where somebody is told by SMS: a mail may be as long as it likes. */
function longTemplates(look: Look): Finding[] {
  if (!look.has(['delivery', 'sms'])) return []
  const group = ['delivery', 'templates']
  return look.keys(group).flatMap((kind) => {
    const checked = checkTemplate(look.text([...group, kind]) ?? '')
    if (!checked.ok || checked.sms < 2) return []
    const wrong = `takes ${checked.sms} SMS at its longest (${checked.alphabet} alphabet)`
    return [atValue([...group, kind], note(wrong, 'shorten it, and use signs of the 7-bit alphabet'))]
  })
}
